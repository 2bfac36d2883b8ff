"""How far a reading may be from the truth: the meter's own accuracy, else what the instrument standard allows.

A maker's accuracy ±(p % of reading + n digits) gives a half-width; taken as a rectangle, the standard uncertainty is
the half-width over √3, the expanded one twice that (JCGM 100). The operating uncertainty that IEC 61557 allows holds at
about 95 % as it is: it is the expanded one, and the standard one is half of it. Figures are floats in the base unit:
they inform a verdict and are never recorded as the reading.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logger.quantity import UNITS, Displayed
from logger.reading import Range

ROOT_OF_THREE: Final = math.sqrt(3.0)

COVERAGE: Final = 2.0
"""Expanded over standard uncertainty: about 95 %."""

INFLUENCE_FACTOR: Final = 1.15
"""What the root sum of squares of influences is multiplied by (IEC 61557-1)."""


def tells_accuracy(meter_range: Range) -> bool:
    """Whether the meter said how good it is on this range."""
    return meter_range.percent is not None or meter_range.digits is not None


def uncertainty_of(value: Displayed, meter_range: Range | None, operating_percent: float) -> float:
    """Standard uncertainty of a reading, in the base unit: of the meter's own accuracy, else of the operating one.

    With the operating one a guarded decision comes out as `display_limit` says: 0.5 Ohm at 30 % takes 0.3846 Ohm.

    Args: as for `half_width`.
    """
    width = half_width(value, meter_range, operating_percent)
    told = meter_range is not None and tells_accuracy(meter_range)
    return standard_uncertainty(width) if told else width / COVERAGE


def half_width(value: Displayed, meter_range: Range | None, operating_percent: float) -> float:
    """Half-width of the meter's accuracy at this reading, in the base unit; at least 0.

    Args:
        meter_range: the range that it was read on; None, or one without accuracy, falls back on `operating_percent`.
        operating_percent: what the instrument standard allows, percent of the reading.
    """
    shown = abs(float(value.base))
    if meter_range is None or not tells_accuracy(meter_range):
        return shown * operating_percent / 100.0
    width = shown * float(meter_range.percent) / 100.0 if meter_range.percent is not None else 0.0
    if meter_range.digits is not None:
        if meter_range.resolution is not None:
            width += float(meter_range.digits * meter_range.resolution) * 10.0 ** UNITS[meter_range.unit].power
        else:
            width += float(meter_range.digits * value.resolution) * 10.0 ** UNITS[value.unit].power
    return width


def standard_uncertainty(half_width_base: float) -> float:
    """Of a rectangle of that half-width."""
    return half_width_base / ROOT_OF_THREE


def combined(terms: Sequence[float]) -> float:
    """Standard uncertainty of independent terms."""
    return math.sqrt(sum(term * term for term in terms))


def cumulative(z: float) -> float:
    """Share of a normal distribution below `z` standard deviations."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def conformity(reading: float, limit: float, uncertainty: float, *, at_most: bool) -> float:
    """Probability that the true value lies on the good side of a limit, given the reading (JCGM 106, flat prior)."""
    distance = limit - reading if at_most else reading - limit
    if uncertainty == 0.0:
        return 1.0 if distance >= 0.0 else 0.0
    return cumulative(distance / uncertainty)


def conformity_rectangular(reading: float, limit: float, half_width_base: float, *, at_most: bool) -> float:
    """The same where the truth is taken to lie anywhere within the half-width, evenly."""
    distance = limit - reading if at_most else reading - limit
    if half_width_base == 0.0:
        return 1.0 if distance >= 0.0 else 0.0
    return min(1.0, max(0.0, (distance + half_width_base) / (2.0 * half_width_base)))


def conformity_between(reading: float, low: float, high: float, uncertainty: float) -> float:
    """Probability that the true value lies in a window; `uncertainty` above 0."""
    return cumulative((high - reading) / uncertainty) - cumulative((low - reading) / uncertainty)


def risk_at_guard(share: float) -> float:
    """Probability of accepting wrongly at a guard band of `share` times the expanded uncertainty."""
    return cumulative(-COVERAGE * share)


def reading_for(probability: float, limit: float, uncertainty: float, *, at_most: bool) -> float:
    """The reading that conforms with just this probability (between 0 and 1)."""
    from statistics import NormalDist

    away = NormalDist().inv_cdf(probability) * uncertainty
    return limit - away if at_most else limit + away


def display_limit(limit: float, operating_percent: float, *, at_most: bool) -> float:
    """What the display may show at most (at least) so that the worst the standard allows still keeps the limit."""
    share = operating_percent / 100.0
    return limit / (1.0 + share) if at_most else limit / (1.0 - share)


def reference_bands(meter_half_width: float, reference_half_width: float) -> tuple[float, float]:
    """How far a check resistor may read from its value: the worst case, and by root sum of squares with k = 2."""
    spread = combined([standard_uncertainty(meter_half_width), standard_uncertainty(reference_half_width)])
    return meter_half_width + reference_half_width, COVERAGE * spread


def operating_uncertainty(intrinsic: float, influences: Sequence[float]) -> float:
    """Operating uncertainty of an instrument from its intrinsic one and the influences on it (IEC 61557-1)."""
    return abs(intrinsic) + INFLUENCE_FACTOR * combined(influences)


@dataclass(frozen=True, slots=True)
class Repeated:
    """A mean of repeated readings: its standard uncertainty, and the degrees of freedom behind it."""

    mean: float
    uncertainty: float
    degrees: float


def repeated(readings: Sequence[float], half_width_base: float) -> Repeated:
    """Mean of at least two readings, its scatter combined with the meter's accuracy (Welch and Satterthwaite)."""
    count = len(readings)
    mean = sum(readings) / count
    scatter = math.sqrt(sum((reading - mean) ** 2 for reading in readings) / (count - 1)) / math.sqrt(count)
    uncertainty = combined([scatter, standard_uncertainty(half_width_base)])
    degrees = math.inf if scatter == 0.0 else (count - 1) * (uncertainty / scatter) ** 4
    return Repeated(mean, uncertainty, degrees)
