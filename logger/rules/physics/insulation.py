"""Insulation: branches in parallel, temperature, absorption, charging and discharging.

Resistances of insulation are megohms unless the name says otherwise; capacitances farads, voltages volts, times
seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

VACUUM_F_PER_M: Final = Decimal("8.8541878128E-12")
"""Permittivity of vacuum, farads a metre (CODATA)."""

PI: Final = Decimal("3.14159265358979323846")

HALVING_K: Final = Decimal(10)
"""Insulation resistance halves for each of these many kelvins upwards (rule of thumb)."""

THERMOSET_HOT: Final = Decimal(4230)
THERMOSET_COLD: Final = Decimal(1245)
"""Constants of IEEE 43's thermosetting form above and below 40 °C, kelvins. Unsure: check the edition."""


def parallel(branches: Sequence[Decimal]) -> Decimal:
    """Branches side by side; any unit, at least one branch, none negative. A branch of nothing shorts the rest."""
    if any(branch == 0 for branch in branches):
        return Decimal(0)
    conductance = sum((1 / branch for branch in branches), Decimal(0))
    return Decimal("Infinity") if conductance == 0 else 1 / conductance


def unknown_branch(total: Decimal, rest: Decimal) -> Decimal:
    """The branch that brings `rest` down to `total` (less than `rest`); any unit."""
    return 1 / (1 / total - 1 / rest)


def at_length(measured_mohm: Decimal, measured_m: Decimal, length_m: Decimal) -> Decimal:
    """Insulation of another length of the same cable, megohms."""
    return measured_mohm * measured_m / length_m


def leakage_ma(voltage_v: Decimal, resistance_mohm: Decimal) -> Decimal:
    """Current through a resistance in megohms, milliamperes."""
    return voltage_v / resistance_mohm / 1000


def at_temperature(measured_mohm: Decimal, temperature_c: Decimal, to_c: Decimal) -> Decimal:
    """Insulation at another temperature by the halving rule, megohms. For trends, never for a limit."""
    return measured_mohm * Decimal("0.5") ** ((to_c - temperature_c) / HALVING_K)


def thermoset_factor(temperature_c: Decimal) -> Decimal:
    """What a winding's insulation is multiplied by to have it at 40 °C (IEEE 43, thermosetting)."""
    constant = THERMOSET_HOT if temperature_c > 40 else THERMOSET_COLD
    return (-constant * (1 / (temperature_c + 273) - 1 / Decimal(313))).exp()


@dataclass(frozen=True, slots=True)
class Absorption:
    """Ratios of timed readings: `dar` of one minute over half, `pi` of ten minutes over one."""

    dar: Decimal
    pi: Decimal | None


def absorption(r30: Decimal, r60: Decimal, r600: Decimal | None = None) -> Absorption:
    """Ratios of readings of one unit after 30 s, 60 s and, where there is one, 600 s."""
    return Absorption(r60 / r30, None if r600 is None else r600 / r60)


def charge_time(capacitance_f: Decimal, voltage_v: Decimal, current_a: Decimal) -> Decimal:
    """How long a constant current takes to bring a capacitance to a voltage, seconds."""
    return capacitance_f * voltage_v / current_a


def discharge_time(capacitance_f: Decimal, resistance_ohm: Decimal, from_v: Decimal, to_v: Decimal) -> Decimal:
    """How long a capacitance takes to fall from one voltage to a lower one, seconds; nothing where it is lower."""
    return Decimal(0) if from_v <= to_v else resistance_ohm * capacitance_f * (from_v / to_v).ln()


def largest_bleed(capacitance_f: Decimal, from_v: Decimal, to_v: Decimal, within_s: Decimal) -> Decimal:
    """Greatest resistance that discharges from a higher voltage to a lower one in time, ohms."""
    return within_s / (capacitance_f * (from_v / to_v).ln())


def stored_energy(capacitance_f: Decimal, voltage_v: Decimal) -> Decimal:
    """Energy on a capacitance, joules."""
    return capacitance_f * voltage_v**2 / 2


def stored_charge(capacitance_f: Decimal, voltage_v: Decimal) -> Decimal:
    """Charge on a capacitance, coulombs."""
    return capacitance_f * voltage_v


def coaxial_f_per_m(insulation_over_radius: Decimal, permittivity: Decimal) -> Decimal:
    """Upper bound on a cable's capacitance, farads a metre, by insulation thickness over conductor radius."""
    return 2 * PI * VACUUM_F_PER_M * permittivity / (1 + insulation_over_radius).ln()


RATED_CURRENT_A: Final = Decimal("0.001")
"""Current at which an insulation tester must still hold its nominal voltage (IEC 61557-2)."""


def rated_load(nominal_v: Decimal) -> Decimal:
    """Load that draws the rated current at nominal voltage, ohms."""
    return nominal_v / RATED_CURRENT_A


def terminal_window(nominal_v: Decimal) -> tuple[Decimal, Decimal]:
    """Where a tester's voltage must stay under load, volts: -10 % to +20 % of nominal (AS/NZS 3000, 8.3.6)."""
    return nominal_v * Decimal("0.9"), nominal_v * Decimal("1.2")


def power_in(resistance_ohm: Decimal, voltage_v: Decimal) -> Decimal:
    """Power that a reference resistor must bear, watts."""
    return voltage_v**2 / resistance_ohm
