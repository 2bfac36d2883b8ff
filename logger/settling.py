"""Is a reading steady or still moving, and where is it going?

A straight line is fitted to the last seconds; what it climbs in that time is compared with the display's resolution
and with the value itself. A predicted end value is a help to whoever waits and never a result. Time comes in with each
value. Timed ratios are in `timed_run`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Final

from logger.clock import NS_PER_S
from logger.quantity import Displayed, Relation

WINDOW_S: Final = 3.0
"""How far back the fit looks, seconds."""

# Steady is a climb of less than this over the window: a share of the value, or so many steps of the display.
STEADY_SHARE: Final = 0.05
STEADY_STEPS: Final = 2.0

FEWEST_POINTS: Final = 4
"""Fewer values than this say nothing of a trend."""

# At most this many points are kept of a window: enough for a fit, few enough to run it 500 times a second.
POINTS_AT_MOST: Final = 60

# A prediction is made only where one third of the window climbs by no more than this share of what the third before it
# did: nearer to 1 the end is anywhere.
CLOSES_IN_BY: Final = 0.9


class Steadiness(StrEnum):
    """What the last seconds say."""

    UNKNOWN = "unknown"
    """Too little seen yet."""
    MOVING = "moving"
    STEADY = "steady"


@dataclass(frozen=True, slots=True)
class Settling:
    """Where a reading stands.

    Attributes:
        steady_for_s: how long it has been steady, seconds; 0 while it is not.
        predicted: the end value that it is closing in on, in the base unit; None where none can be told.
    """

    state: Steadiness
    steady_for_s: float = 0.0
    predicted: float | None = None


@dataclass(slots=True)
class _Point:
    t_s: float
    value: float


class Settler:
    """Follows one stream of readings of one function and range. Not thread-safe."""

    def __init__(self) -> None:
        self._points: deque[_Point] = deque(maxlen=POINTS_AT_MOST + 1)
        self._relation = Relation.EQUAL
        self._since_s = 0.0
        self._steady_since_s: float | None = None

    def reset(self) -> None:
        """Forget everything: the leads moved, the selection changed, the line broke."""
        self._points.clear()
        self._steady_since_s = None

    def add(self, mono_ns: int, value: Displayed, resolution_base: Decimal | None = None) -> Settling:
        """Take in a value and say where the reading stands.

        Args:
            mono_ns: when it was read; never earlier than the one before.
            resolution_base: one step of the display in the base unit; the value's own last place where left out.
        """
        now_s = mono_ns / NS_PER_S
        if value.relation is not self._relation or not value.number.is_finite():
            self.reset()
        if not self._points:
            self._relation, self._since_s = value.relation, now_s
        number = float(value.base) if value.number.is_finite() else 0.0
        if not self._points or now_s - self._points[-1].t_s >= WINDOW_S / POINTS_AT_MOST:
            self._points.append(_Point(now_s, number))
        while self._points[0].t_s < now_s - WINDOW_S:
            self._points.popleft()
        step = float(resolution_base) if resolution_base is not None else _own_step(value)
        return self._standing(now_s, step)

    def _standing(self, now_s: float, step: float) -> Settling:
        if now_s - self._since_s < WINDOW_S or len(self._points) < FEWEST_POINTS:
            return Settling(Steadiness.UNKNOWN)
        if self._relation is Relation.EQUAL and not _is_flat(self._points, step):
            self._steady_since_s = None
            return Settling(Steadiness.MOVING, predicted=_predicted(list(self._points), step))
        if self._steady_since_s is None:
            self._steady_since_s = now_s
        return Settling(Steadiness.STEADY, now_s - self._steady_since_s)


def _own_step(value: Displayed) -> float:
    """One step of the last place shown, in the base unit."""
    if not value.number.is_finite():
        return 0.0
    return float(Displayed(str(value.resolution), value.unit).base)


def _is_flat(points: Sequence[_Point], step: float) -> bool:
    """Whether the line through the points climbs no more than a steady reading may."""
    mean = sum(point.value for point in points) / len(points)
    climb = abs(_slope(points)) * (points[-1].t_s - points[0].t_s)
    return climb <= max(STEADY_STEPS * step, STEADY_SHARE * abs(mean))


def _slope(points: Sequence[_Point]) -> float:
    """Slope of the least-squares line through points, units a second; 0 where all have one time."""
    mean_t = sum(point.t_s for point in points) / len(points)
    mean_v = sum(point.value for point in points) / len(points)
    spread = sum((point.t_s - mean_t) ** 2 for point in points)
    if spread == 0.0:
        return 0.0
    return sum((point.t_s - mean_t) * (point.value - mean_v) for point in points) / spread


def _predicted(points: Sequence[_Point], step: float) -> float | None:
    """The end of an exponential approach, from the means of three thirds of the window; None where it shows none."""
    third = len(points) // 3
    means = [math.fsum(p.value for p in points[k * third : (k + 1) * third]) / third for k in range(3)] if third else []
    if len(means) < 3:
        return None
    first, second = means[1] - means[0], means[2] - means[1]
    if first == 0.0 or not 0.0 < second / first < CLOSES_IN_BY or abs(second) < step:
        return None
    return means[2] + second * second / (first - second)
