"""A `ScaleView` as two rows of characters: the track with limit and mark, and the labels under it. Pure.

Where the limit allows, the track is a heavy line, elsewhere a dotted one, so that which side is which needs no colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tui.view import ScaleView

ALLOWED: Final = "━"
NOT_ALLOWED: Final = "╌"
UNJUDGED: Final = "─"
LIMIT: Final = "┃"
BEYOND: Final = "▶"
BELOW: Final = "◀"
SPREAD: Final = "█"


@dataclass(frozen=True, slots=True)
class ScaleRows:
    """The drawn scale.

    Attributes:
        track: the line itself.
        labels: figures under it, the unit after the last.
        mark_from, mark_to: columns of the track that the reading takes, `mark_to` exclusive; equal without one.
        limits: columns of the limit's edges.
    """

    track: str
    labels: str
    mark_from: int
    mark_to: int
    limits: tuple[int, ...]


def draw_scale(scale: ScaleView, width: int) -> ScaleRows:
    """The scale in `width` columns (at least 20)."""
    unit = f" {scale.unit}{' ∞' if scale.endless else ''}"
    span = width - len(unit) - 1
    track = [_track_sign(scale, column / (span - 1)) for column in range(span)]
    limits = tuple(_column(tick.at, span) for tick in scale.limits)
    for column in limits:
        track[column] = LIMIT
    mark_from, mark_to = _mark(scale, track, span)
    return ScaleRows("".join(track), _labels(scale, span) + unit, mark_from, mark_to, limits)


def _column(at: float, span: int) -> int:
    return round(at * (span - 1))


def _track_sign(scale: ScaleView, at: float) -> str:
    if scale.good_from is None or scale.good_to is None:
        return UNJUDGED
    return ALLOWED if scale.good_from <= at <= scale.good_to else NOT_ALLOWED


def _mark(scale: ScaleView, track: list[str], span: int) -> tuple[int, int]:
    """Put the reading on the track; the columns it takes."""
    if scale.value is None or scale.low is None or scale.high is None:
        return 0, 0
    low, at, high = (_column(place, span) for place in (scale.low, scale.value, scale.high))
    if scale.open_above:
        track[at] = BEYOND
        return at, at + 1
    if scale.open_below:
        track[at] = BELOW
        return at, at + 1
    track[low : high + 1] = SPREAD * (high + 1 - low)
    return low, high + 1


def _labels(scale: ScaleView, span: int) -> str:
    """Labels under their ticks; the limit's own come first and push their neighbours out."""
    row = [" "] * span
    for tick in (*scale.limits, *scale.ticks):
        if len(tick.label) > span:
            continue
        start = min(max(0, _column(tick.at, span) - len(tick.label) // 2), span - len(tick.label))
        around = row[max(0, start - 1) : start + len(tick.label) + 1]
        if all(cell == " " for cell in around):
            row[start : start + len(tick.label)] = tick.label
    return "".join(row)
