"""Appliances: earth resistance by cord, leakage by power and by substitute voltage. Ohms, milliamperes, metres."""

from __future__ import annotations

from decimal import ROUND_CEILING, Decimal


def cord_earth_limits(
    length_m: Decimal, base_ohm: Decimal, free_m: Decimal, per_step_ohm: Decimal, step_m: Decimal, most_ohm: Decimal
) -> tuple[Decimal, Decimal]:
    """Greatest earth resistance for a cord, ohms, as the two readings of the rule give it: pro rata, and by each step
    begun beyond the free length."""
    beyond = max(Decimal(0), length_m - free_m) / step_m
    pro_rata = base_ohm + per_step_ohm * beyond
    stepped = base_ohm + per_step_ohm * beyond.to_integral_value(ROUND_CEILING)
    return min(pro_rata, most_ohm), min(stepped, most_ohm)


def leakage_by_power(power_w: Decimal, per_kw_ma: Decimal, least_ma: Decimal, most_ma: Decimal) -> Decimal:
    """Greatest leakage of a heating appliance, milliamperes: by its power, never under `least_ma` or over `most_ma`."""
    return min(max(per_kw_ma * power_w / 1000, least_ma), most_ma)


def substitute_leakage(measured_ma: Decimal, test_v: Decimal, rated_v: Decimal) -> Decimal:
    """Leakage at rated voltage from one measured at a lower substitute voltage, milliamperes."""
    return measured_ma * rated_v / test_v


COPPER_M_PER_OHM_MM2 = Decimal(56)
"""Conductivity of copper, metres per ohm and square millimetre."""


def cord_by_section(length_m: Decimal, section_mm2: Decimal, allowance_ohm: Decimal = Decimal("0.1")) -> Decimal:
    """Earth resistance of a longer or thicker cord with an allowance for contacts, ohms. Unsure: see the pack."""
    return length_m / (COPPER_M_PER_OHM_MM2 * section_mm2) + allowance_ohm
