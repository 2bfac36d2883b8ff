"""Is the value steady, or still moving, and which way? A help for the eye; never a condition for a reading to count.

What is steady is decided by `logger.settling`, which `tui.live` feeds; here it becomes words.
"""

from __future__ import annotations

from collections import deque
from enum import StrEnum
from typing import Final

from logger.clock import NS_PER_S
from logger.quantity import Relation
from logger.reading import Flag
from logger.settling import WINDOW_S, Steadiness
from tui.live import MeterLive, Seen


class Motion(StrEnum):
    """What a value is doing, in words."""

    STEADY = "steady"
    RISING = "still rising"
    FALLING = "still falling"
    MOVING = "still moving"
    UNKNOWN = ""


WINDOW_NS: Final = round(WINDOW_S * NS_PER_S)
"""How far back a direction is looked for: as far as steadiness is."""


def motion(meter: MeterLive, now_ns: int) -> tuple[Motion, float]:
    """What the newest value is doing, and for how many seconds it has been steady.

    The meter's own word counts where it gives one. Returns `Motion.UNKNOWN` while too little has come.
    """
    newest = meter.newest
    if newest is None or newest.value.relation is not Relation.EQUAL:
        return Motion.UNKNOWN, 0.0
    if Flag.STEADY in newest.flags:
        return Motion.STEADY, _said_for_s(meter.readings, now_ns)
    match meter.settling.state:
        case Steadiness.STEADY:
            return Motion.STEADY, meter.settling.steady_for_s
        case Steadiness.MOVING:
            return _direction(meter.readings), 0.0
        case _:
            return Motion.UNKNOWN, 0.0


def heading_for(meter: MeterLive) -> float | None:
    """The end value, in the base unit, that a moving reading seems to close in on; None where none can be told."""
    newest = meter.newest
    if newest is None or newest.value.relation is not Relation.EQUAL or Flag.STEADY in newest.flags:
        return None
    return meter.settling.predicted if meter.settling.state is Steadiness.MOVING else None


def _said_for_s(readings: deque[Seen], now_ns: int) -> float:
    """For how long the meter itself has called it steady."""
    since_ns = now_ns
    for seen in reversed(readings):
        if not seen.is_like(readings[-1]) or Flag.STEADY not in seen.flags:
            break
        since_ns = seen.arrived_ns
    return (now_ns - since_ns) / NS_PER_S


def _direction(readings: deque[Seen]) -> Motion:
    """Rising or falling where the last third of the window lies wholly on one side of the first third."""
    newest = readings[-1]
    values = []
    for seen in reversed(readings):
        if newest.arrived_ns - seen.arrived_ns > WINDOW_NS or not seen.is_like(newest):
            break
        values.append(seen.value.base)
    third = len(values) // 3
    later, earlier = values[:third], values[len(values) - third :]
    if later and min(later) > max(earlier):
        return Motion.RISING
    if later and max(later) < min(earlier):
        return Motion.FALLING
    return Motion.MOVING
