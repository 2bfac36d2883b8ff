"""Bounds on each part's insulation from readings of many parts at once.

Parts in parallel add their conductances, so a reading over some parts is a bound on a sum, from below and from above,
as wide as the meter is uncertain; over range and under range stay the inequalities that they are. Conductances are in
microsiemens (one over megohm) and never negative. The bounds given are true; they are not always the tightest.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from logger.quantity import Displayed, Relation
from logger.reading import Range

UNSAID_PERCENT: Final = Decimal(30)
"""Uncertainty of a meter that does not say: the most that IEC 61557-2 lets an insulation tester have, per cent."""

SUMS_AT_MOST: Final = 400
"""Most sums that are kept, with those worked out from others: bounds grow no better long before, and it stays quick."""

ROUNDS_AT_MOST: Final = 30
"""Rounds of narrowing; each settles at least one bound, and few take more than five."""

OHM_PER_MOHM: Final = Decimal(10**6)

TOLERANCE: Final = 1e-9
"""Relative room within which two bounds count as one."""

ROUNDING: Final = 1e-13
"""Relative room for the rounding of binary fractions over a few hundred additions."""


@dataclass(frozen=True, slots=True)
class Span:
    """A conductance between two bounds, microsiemens; `high` may be infinite."""

    low: float = 0.0
    high: float = math.inf

    @property
    def mohm(self) -> tuple[float, float]:
        """The same as a resistance between two bounds, megohm; the upper may be infinite."""
        return (0.0 if math.isinf(self.high) else _over(self.high), _over(self.low))

    @property
    def is_possible(self) -> bool:
        """Whether anything fits between the bounds."""
        return self.low <= self.high * (1 + TOLERANCE) + TOLERANCE


@dataclass(frozen=True, slots=True)
class Sum:
    """The conductances of `parts` together lie within `span`."""

    parts: frozenset[str]
    span: Span


def span_of(value: Displayed, meter_range: Range | None = None) -> Span:
    """What a displayed resistance says about the conductance, the meter's uncertainty on both sides."""
    shown = value.base / OHM_PER_MOHM
    if not shown.is_finite():
        return Span(0.0, 0.0 if value.relation is not Relation.BELOW else math.inf)
    step = value.resolution * (value.base / value.number if value.number else _unit(value)) / OHM_PER_MOHM
    if meter_range is not None and meter_range.percent is not None:
        room = shown * meter_range.percent / 100 + step * (meter_range.digits or 0)
    else:
        room = shown * UNSAID_PERCENT / 100 + step
    least, most = max(shown - room, Decimal(0)), shown + room
    if value.relation is Relation.ABOVE:
        return Span(0.0, _over(float(least)))
    if value.relation is Relation.BELOW:
        return Span(_over(float(most)), math.inf)
    return Span(_over(float(most)), _over(float(least)))


def _unit(value: Displayed) -> Decimal:
    """One of the value's unit in ohms."""
    return Displayed("1", value.unit).base


def _over(number: float) -> float:
    return math.inf if number == 0 else 0.0 if math.isinf(number) else 1 / number


def sums_of(readings: Iterable[Sum]) -> dict[frozenset[str], Span]:
    """Every sum that is known, and those that follow: what is left of one when another that it holds is taken off."""
    known: dict[frozenset[str], Span] = {}
    for each in readings:
        known[each.parts] = _both(known.get(each.parts, Span()), each.span)
    for _ in range(2):
        for larger, smaller in itertools.permutations(list(known), 2):
            if smaller < larger and len(known) < SUMS_AT_MOST:
                rest = larger - smaller
                low = _less_down(known[larger].low, known[smaller].high)
                high = _less_up(known[larger].high, known[smaller].low)
                known[rest] = _both(known.get(rest, Span()), Span(low, high))
    return known


def bounds(parts: Collection[str], sums: Mapping[frozenset[str], Span]) -> dict[str, Span]:
    """For each part the bounds that the sums leave it."""
    found = {part: Span() for part in parts}
    for _ in range(ROUNDS_AT_MOST):
        before = dict(found)
        for together, span in sums.items():
            _narrow(found, together, span)
        if all(_is_as_wide(found[part], before[part]) for part in parts):
            break
    return found


def _is_as_wide(now: Span, before: Span) -> bool:
    """Whether a bound has hardly moved: a round that gains less is not worth another."""
    same_high = math.isinf(now.high) == math.isinf(before.high) and (
        math.isinf(now.high) or now.high >= before.high * (1 - TOLERANCE)
    )
    return same_high and now.low <= before.low * (1 + TOLERANCE)


def _narrow(found: dict[str, Span], together: frozenset[str], span: Span) -> None:
    """What one sum says about each of its parts, the others being where they are."""
    parts = list(together)
    lows = _sums_of_others([found[part].low for part in parts])
    highs = _sums_of_others([found[part].high for part in parts])
    for part, low, high in zip(parts, lows, highs, strict=True):
        own = found[part]
        found[part] = Span(max(own.low, _less_down(span.low, high)), min(own.high, _less_up(span.high, low)))


def _sums_of_others(values: list[float]) -> list[float]:
    """For each value the sum of all others, added up from both ends: nothing is taken off, so nothing cancels."""
    before = [0.0, *itertools.accumulate(values[:-1])]
    behind = [0.0, *itertools.accumulate(reversed(values[1:]))][::-1]
    return [one + other for one, other in zip(before, behind, strict=True)]


def _less_down(one: float, other: float) -> float:
    """`one` less `other`, not above the true difference; never below nothing."""
    return max(one - other - ROUNDING * max(one, other), 0.0) if not math.isinf(other) else 0.0


def _less_up(one: float, other: float) -> float:
    """`one` less `other`, not below the true difference; never below nothing."""
    return max(one - other + ROUNDING * max(one, other), 0.0) if not math.isinf(one) else math.inf


def clashes(parts: Collection[str], sums: Mapping[frozenset[str], Span], found: Mapping[str, Span]) -> Sequence[str]:
    """The parts whose bounds exclude each other: the readings cannot all be of one unchanged installation."""
    if any(not span.is_possible for span in sums.values()):
        return sorted(parts)
    return [part for part in parts if not found[part].is_possible]


def _both(one: Span, other: Span) -> Span:
    return Span(max(one.low, other.low), min(one.high, other.high))
