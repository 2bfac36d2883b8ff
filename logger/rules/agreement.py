"""Readings checked against each other and against copper: hints while measuring, findings in the audit.

Every reading is an interval: what the meter's uncertainty leaves open, and without an upper end where it read over
range. A disagreement is told only where the intervals cannot meet; nothing here is a verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from logger.job.model import Cable
from logger.quantity import Displayed, Relation
from logger.rules.physics import conductors, insulation

INFINITE: Final = Decimal("Infinity")


@dataclass(frozen=True, slots=True)
class Interval:
    """Where a quantity lies, in its base unit; `high` is infinite where the meter read over range."""

    low: Decimal
    high: Decimal

    def __add__(self, other: Interval) -> Interval:
        return Interval(self.low + other.low, self.high + other.high)


@dataclass(frozen=True, slots=True)
class Finding:
    """What does not fit, in a sentence for a foreman. `code` names the kind, for sorting."""

    code: str
    sentence: str


def interval_of(value: Displayed, half_width_base: float) -> Interval:
    """The interval of a reading whose meter is good to `half_width_base`, in the base unit."""
    slack = Decimal(repr(half_width_base))
    if value.relation is Relation.ABOVE:
        return Interval(max(Decimal(0), value.base - slack) if value.number.is_finite() else INFINITE, INFINITE)
    if value.relation is Relation.BELOW:
        return Interval(Decimal(0), value.base + slack)
    return Interval(max(Decimal(0), value.base - slack), value.base + slack)


def side_by_side(branches: Sequence[Interval]) -> Interval:
    """Branches in parallel: bounds stay bounds. At least one branch."""
    return Interval(
        insulation.parallel([branch.low for branch in branches]),
        insulation.parallel([branch.high for branch in branches]),
    )


def whole_against_circuits(
    whole: Interval, circuits: Sequence[Interval], *, shared_neutral: bool = False
) -> Finding | None:
    """Insulation of a whole installation against its circuits, each measured by itself.

    Args:
        shared_neutral: the circuits' neutrals stayed joined at the bar, so that each circuit's reading held all of
            them. Their parallel then counts the neutrals again and again: it only bounds the whole from below, and
            from above the lowest circuit does.
    """
    together = side_by_side(circuits)
    highest = min(circuit.high for circuit in circuits) if shared_neutral else together.high
    if whole.low > highest:
        return Finding(
            "whole-too-good",
            f"The whole reads {_mohm(whole.low)} MOhm or more, and its circuits allow no more than "
            f"{_mohm(highest)} MOhm: not every circuit was connected when the whole was measured",
        )
    if whole.high < together.low:
        return Finding(
            "whole-too-bad",
            f"The whole reads {_mohm(whole.high)} MOhm or less, and its circuits together at least "
            f"{_mohm(together.low)} MOhm: something besides these circuits leaks",
        )
    return None


def loop_against_parts(measured: Interval, supply: Interval, conductors_ohm: Interval) -> Finding | None:
    """A loop impedance against the loop outside plus R1+R2."""
    parts = supply + conductors_ohm
    if measured.low > parts.high:
        return Finding(
            "loop-too-high",
            f"The loop reads {_ohm(measured.low)} Ohm or more, and its parts come to {_ohm(parts.high)} Ohm at most: "
            "look for a loose or burnt connection, or warm conductors",
        )
    if measured.high < parts.low:
        return Finding(
            "loop-too-low",
            f"The loop reads {_ohm(measured.high)} Ohm or less, and its parts come to at least {_ohm(parts.low)} Ohm: "
            "other metal carries part of the current",
        )
    return None


def expected_ohm(cable: Cable, *, with_line: bool, temperature_c: Decimal = conductors.REFERENCE_C) -> Decimal | None:
    """What the protective conductor, and the line with it, must read by IEC 60228; None where the plan does not say.

    Args:
        with_line: line and protective conductor joined at the far end (R1+R2), else the protective conductor alone.
    """
    sections = [cable.earth_mm2, cable.line_mm2] if with_line else [cable.earth_mm2]
    each = [conductors.ohm_per_km(section) if section is not None else None for section in sections]
    known = [ohm_per_km for ohm_per_km in each if ohm_per_km is not None]
    if cable.length_m is None or len(known) < len(each):
        return None
    return conductors.resistance(sum(known, Decimal(0)), cable.length_m, temperature_c)


def continuity_against_cable(
    measured_ohm: Decimal,
    cable: Cable,
    half_width_ohm: Decimal,
    *,
    with_line: bool,
    temperature_c: Decimal = conductors.REFERENCE_C,
) -> Finding | None:
    """A continuity reading against the length and section of its cable; None where it fits or the plan does not say."""
    expected = expected_ohm(cable, with_line=with_line, temperature_c=temperature_c)
    if expected is None or cable.length_m is None:
        return None
    band = conductors.expected_band(expected, half_width_ohm)
    if band.low_ohm <= measured_ohm <= band.high_ohm:
        return None
    implied_m = cable.length_m * measured_ohm / expected
    reads = f"It reads {_ohm(measured_ohm)} Ohm where {cable.length_m} m of this cable have {_ohm(expected)} Ohm"
    if measured_ohm > band.high_ohm:
        return Finding(
            "continuity-too-high",
            f"{reads}: a loose joint, a thinner conductor, or {implied_m:.0f} m of it",
        )
    return Finding(
        "continuity-too-low",
        f"{reads}: another path beside it, the wrong cable, or {implied_m:.0f} m of it",
    )


def ring_legs(ring: conductors.Ring, half_width_ohm: Decimal = Decimal(0)) -> Finding | None:
    """Line and neutral of a ring, end to end, against each other."""
    apart = abs(ring.r1_ohm - ring.rn_ohm)
    if apart <= conductors.RING_OHM + 2 * half_width_ohm:
        return None
    return Finding(
        "ring-legs-differ",
        f"Line and neutral of the ring differ by {_ohm(apart)} Ohm: look for a loose joint or a wrong section",
    )


def _mohm(ohm: Decimal) -> str:
    return f"{float(ohm) / 1e6:.3g}"


def _ohm(ohm: Decimal) -> str:
    return f"{float(ohm):.3g}"
