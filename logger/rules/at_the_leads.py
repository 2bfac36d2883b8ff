"""What was at the leads while a reading was made, as far as the meter tells: its voltage, and the leads themselves.

Neither turns a reading away nor gives a verdict: it is told with the result, and found by the audit.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from logger.quantity import Displayed, Relation, is_decimal
from logger.rules.agreement import Finding

LEAST_SHARE: Final = Decimal("0.9")
"""Least share of the nominal test voltage at the leads (AS/NZS 3000, 8.3.6: -10 % at 1 MOhm)."""

MOST_SHARE: Final = Decimal("1.25")
"""Greatest share of it, with nothing between the leads (IEC 61557-2)."""

FROM_OHM: Final = Decimal(1_000_000)
"""Resistance from which the test voltage must stand, ohms; below it a tester may let it fall."""

LEADS_MOVE_OHM: Final = Decimal("0.02")
"""How far joined leads may read from where they were at the zero check, ohms: two steps of a usual display."""

LOW_VOLTAGE: Final = "test-voltage-low"
HIGH_VOLTAGE: Final = "test-voltage-high"
LEADS_MOVED: Final = "less-than-the-leads"


def voltage_at_the_leads(value: Displayed, nominal_v: str | None, output_v: str | None) -> Finding | None:
    """Whether an insulation reading was made at its test voltage; None where it was, or nobody can say.

    Args:
        value: the reading; below `FROM_OHM` any voltage will do.
        nominal_v, output_v: nominal test voltage, and what the meter measured at its terminals, volts.
    """
    if not (is_volts(nominal_v) and is_volts(output_v)) or value.relation is Relation.BELOW or value.base < FROM_OHM:
        return None
    nominal, output = Decimal(str(nominal_v)), Decimal(str(output_v))
    if output < LEAST_SHARE * nominal:
        said = f"Only {output:f} V of {nominal:f} V were on the leads: the test voltage did not stand"
        return Finding(LOW_VOLTAGE, f"{said}; look at the battery, the leads and the meter, and measure again")
    if output > MOST_SHARE * nominal:
        said = f"{output:f} V were on the leads where {nominal:f} V are the test voltage"
        return Finding(HIGH_VOLTAGE, f"{said}; look at the meter's setting, and measure again")
    return None


def is_volts(text: str | None) -> bool:
    """Whether a voltage is known, as a figure."""
    return text is not None and is_decimal(text) and Decimal(text).is_finite()


def less_than_the_leads(value: Displayed, lead_ohm: Decimal | None) -> Finding | None:
    """Whether a continuity reading is less than its own leads were at the zero check: they cannot be the same leads."""
    if lead_ohm is None or value.relation is Relation.ABOVE or lead_ohm - value.base <= LEADS_MOVE_OHM:
        return None
    said = f"It reads {value.text} {value.unit}, less than the leads alone ({lead_ohm} Ohm)"
    return Finding(LEADS_MOVED, f"{said}: they changed since the zero check; check zero again")
