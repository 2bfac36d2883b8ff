"""Is the value steady, or still moving, and which way? A help for the eye; never a condition for a reading to count."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from decimal import Decimal
from enum import StrEnum
from typing import Final

from logger.clock import NS_PER_S
from logger.quantity import Relation
from logger.reading import Flag
from tui.live import Seen


class Motion(StrEnum):
    """What a value is doing, in words."""

    STEADY = "steady"
    RISING = "still rising"
    FALLING = "still falling"
    MOVING = "still moving"
    UNKNOWN = ""


STEADY_WINDOW_S: Final = 2.0
"""How far back a value is compared with itself, seconds: two capacitive time constants of a long cable."""

STEADY_STEPS: Final = 2
"""How many steps of its last place a steady value may wander."""

STEADY_PART: Final = Decimal("0.02")
"""Or which part of itself: the noise of a high insulation reading."""

STEADY_READINGS: Final = 3
"""Fewest readings that can show it."""


def motion(readings: deque[Seen], now_ns: int) -> tuple[Motion, float]:
    """What the newest value is doing, and for how many seconds it has been steady.

    The meter's own word counts where it gives one. Returns `Motion.UNKNOWN` while too little has come.
    """
    newest = readings[-1]
    if newest.value.relation is not Relation.EQUAL:
        return Motion.UNKNOWN, 0.0
    if Flag.STEADY in newest.flags:
        return Motion.STEADY, _held_s(readings, lambda seen: Flag.STEADY in seen.flags, now_ns)
    allowed = max(newest.value.resolution * STEADY_STEPS, abs(newest.value.number) * STEADY_PART)

    def is_near(seen: Seen) -> bool:
        same = seen.value.unit == newest.value.unit and seen.value.relation is newest.value.relation
        return same and abs(seen.value.number - newest.value.number) <= allowed

    held_s = _held_s(readings, is_near, now_ns)
    if held_s >= STEADY_WINDOW_S:
        return Motion.STEADY, held_s
    return _direction(readings, newest), 0.0


def _held_s(readings: deque[Seen], holds: Callable[[Seen], bool], now_ns: int) -> float:
    newest = readings[-1]
    since_ns = now_ns
    for seen in reversed(readings):
        if not seen.is_like(newest) or not holds(seen):
            break
        since_ns = seen.arrived_ns
    return (now_ns - since_ns) / NS_PER_S


def _direction(readings: deque[Seen], newest: Seen) -> Motion:
    window_ns = round(STEADY_WINDOW_S * NS_PER_S)
    values = []
    for seen in reversed(readings):
        if newest.arrived_ns - seen.arrived_ns > window_ns or not seen.is_like(newest):
            break
        values.append(seen.value.base)
    if len(values) < STEADY_READINGS:
        return Motion.UNKNOWN
    pairs = list(zip(values[1:], values, strict=False))
    if all(later >= earlier for earlier, later in pairs):
        return Motion.RISING
    if all(later <= earlier for earlier, later in pairs):
        return Motion.FALLING
    return Motion.MOVING
