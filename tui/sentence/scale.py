"""Where a figure lies on its scale, between what the limit allows and how far the meter may be off. Pure arithmetic.

Insulation runs over decades, everything else from zero. The scale of a selection stays as it is while readings come:
it grows in round steps, so that the mark moves and not the scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import floor, isfinite, log10
from typing import Final

from logger.quantity import UNITS, Displayed, Function, Relation, in_base
from logger.reading import Range
from tui.view import ScaleView, Tick

LOWEST_DECADE_OHM: Final = 1e4
"""Where an insulation scale begins, ohms: a hundredth of a megohm, the last place of the lowest usual range."""

HIGHEST_DECADE_OHM: Final = 1e9
"""Where it ends unless the meter reaches further, ohms."""

ROOM_ABOVE: Final = 1.25
"""How far a linear scale reaches beyond the larger of value and limit, times: room to see it move."""

ROUND_STEPS: Final = (1.0, 1.5, 2.0, 3.0, 5.0, 7.5, 10.0)
"""Ends that a linear scale may have, times a power of ten: each divides into ticks that people can read."""

TICKS_AT_MOST: Final = 6
"""Most labels under a scale: seventy columns hold no more without crowding."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """The limit as the scale needs it, in base units; None where there is no such edge."""

    at_least: float | None = None
    at_most: float | None = None


def accuracy_base(value: Displayed, measured_on: Range | None) -> float | None:
    """How far the meter may be off at this value, in the base unit; None where it did not say."""
    if measured_on is None or measured_on.percent is None or not value.number.is_finite():
        return None
    steps = (measured_on.digits or Decimal(0)) * (measured_on.resolution or value.resolution)
    return float(abs(value.base) * measured_on.percent / 100 + in_base(steps, measured_on.unit))


def scale_for(
    function: Function,
    value: Displayed | None,
    unit: str,
    bounds: Bounds,
    ranges: Sequence[Range],
    accuracy: float | None,
) -> ScaleView:
    """The scale to draw.

    Args:
        value: the reading; None while there is none.
        unit: UCUM code of the unit in which labels stand.
        bounds: the limit's edges.
        ranges: the meter's ranges of this function; the widest sets the end of an insulation scale.
        accuracy: as `accuracy_base` gives it.
    """
    logarithmic = function is Function.INSULATION
    end = _decades_end(ranges) if logarithmic else _linear_end(value, bounds, ranges)
    axis = _Axis(LOWEST_DECADE_OHM if logarithmic else 0.0, end, logarithmic)
    number = None if value is None else float(value.base)
    return ScaleView(
        unit=UNITS[unit].sign,
        ticks=tuple(Tick(axis.place(at), _label(at, unit)) for at in _ticks(axis)),
        limits=tuple(
            Tick(axis.place(edge), f"limit {_label(edge, unit)}")
            for edge in (bounds.at_least, bounds.at_most)
            if edge is not None
        ),
        good_from=_good(axis, bounds.at_least, 0.0, bounds),
        good_to=_good(axis, bounds.at_most, 1.0, bounds),
        low=_spread(axis, number, accuracy, -1),
        value=None if number is None else axis.place(number),
        high=_spread(axis, number, accuracy, +1),
        open_above=value is not None and value.relation is Relation.ABOVE,
        open_below=value is not None and value.relation is Relation.BELOW,
        endless=logarithmic,
    )


@dataclass(frozen=True, slots=True)
class _Axis:
    start: float
    end: float
    logarithmic: bool

    def place(self, number: float) -> float:
        """From 0 to 1; what lies beyond an end is put at it."""
        if not isfinite(number):
            return 1.0 if number > 0 else 0.0
        if self.logarithmic:
            if number <= self.start:
                return 0.0
            return min(1.0, (log10(number) - log10(self.start)) / (log10(self.end) - log10(self.start)))
        return min(1.0, max(0.0, (number - self.start) / (self.end - self.start)))


def _decades_end(ranges: Sequence[Range]) -> float:
    tops = [float(in_base(r.high, r.unit)) for r in ranges if r.function is Function.INSULATION]
    top = max(tops, default=HIGHEST_DECADE_OHM)
    return float(10 ** -floor(-log10(max(top, 10 * LOWEST_DECADE_OHM))))


def _linear_end(value: Displayed | None, bounds: Bounds, ranges: Sequence[Range]) -> float:
    edges = [edge for edge in (bounds.at_least, bounds.at_most) if edge is not None]
    number = abs(float(value.base)) if value is not None and value.number.is_finite() else 0.0
    over_range = value is not None and value.relation is Relation.ABOVE  # nothing beyond it will ever be shown
    wanted = max([number if over_range else number * ROOM_ABOVE, *(edge * ROOM_ABOVE for edge in edges)])
    if wanted <= 0:
        wanted = min((float(in_base(r.high, r.unit)) for r in ranges), default=1.0)
    power = 10.0 ** floor(log10(wanted))
    return next((step * power for step in ROUND_STEPS if step * power >= wanted * 0.999), 10 * power)


def _ticks(axis: _Axis) -> list[float]:
    if axis.logarithmic:
        decades = round(log10(axis.end / axis.start))
        every = -(-decades // (TICKS_AT_MOST - 1))
        return [axis.start * 10**decade for decade in range(0, decades + 1, every)]
    parts = 3 if round(axis.end / 10 ** floor(log10(axis.end)), 6) in {1.5, 3.0, 7.5} else 5
    parts = 4 if round(axis.end / 10 ** floor(log10(axis.end)), 6) == 2.0 else parts
    return [axis.end * part / parts for part in range(parts + 1)]


def _label(base: float, unit: str) -> str:
    """A figure in `unit` without trailing zeros."""
    number = Decimal(repr(base)).scaleb(-UNITS[unit].power)
    return format(round(number, 6).normalize(), "f")


def _good(axis: _Axis, edge: float | None, otherwise: float, bounds: Bounds) -> float | None:
    if bounds.at_least is None and bounds.at_most is None:
        return None
    return otherwise if edge is None else axis.place(edge)


def _spread(axis: _Axis, number: float | None, accuracy: float | None, side: int) -> float | None:
    if number is None:
        return None
    return axis.place(number + side * (accuracy or 0.0))
