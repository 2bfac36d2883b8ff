"""Live circuits: loop impedance, fault current, electrodes, residual current devices, voltage drop.

Ohms, amperes, volts, seconds, metres. Impedances are added as resistances, which holds for copper up to about 35 mm².
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

ROOT_OF_THREE: Final = Decimal(3).sqrt()

POTENTIAL_SPIKE: Final = Decimal("0.618")
"""Share of the way to the current spike at which the potential spike gives the true value."""

DEVIATION_FACTOR: Final = Decimal("1.2")
"""What the greatest deviation of three readings is multiplied by before it is compared with the accuracy wanted."""

WORKING_RESISTIVITY: Final = Decimal("0.0225")
"""Copper at working temperature, ohm square millimetres a metre (AS/NZS 3000, appendix B)."""

GFCI_CURRENT_MA: Final = Decimal(20)
GFCI_EXPONENT: Final = Decimal("1.43")
"""UL 943 class A: longest trip time is (20 mA / I) to the power of 1.43, in seconds."""


def loop(ze_ohm: Decimal, r1_plus_r2_ohm: Decimal) -> Decimal:
    """Loop impedance at the end of a circuit, ohms."""
    return ze_ohm + r1_plus_r2_ohm


def loop_limit(u0_v: Decimal, operating_a: Decimal, voltage_factor: Decimal = Decimal(1)) -> Decimal:
    """Greatest loop impedance at which `operating_a` still flows, ohms."""
    return u0_v * voltage_factor / operating_a


def fault_current(voltage_v: Decimal, impedance_ohm: Decimal) -> Decimal:
    """Prospective fault current, amperes; infinite at no impedance."""
    return Decimal("Infinity") if impedance_ohm == 0 else voltage_v / impedance_ohm


def three_phase_by_doubling(line_neutral_a: Decimal) -> Decimal:
    """A bound on the three-phase fault current from that between line and neutral, amperes."""
    return 2 * line_neutral_a


def electrode_limit(touch_v: Decimal, residual_a: Decimal) -> Decimal:
    """Greatest electrode resistance at which the residual current stays under the touch voltage, ohms."""
    return touch_v / residual_a


def touch_voltage(electrode_ohm: Decimal, residual_a: Decimal) -> Decimal:
    """Voltage on exposed metal while the rated residual current flows, volts."""
    return electrode_ohm * residual_a


def spike_distance(current_spike_m: Decimal) -> Decimal:
    """Where the potential spike belongs for a current spike so far away, metres."""
    return POTENTIAL_SPIKE * current_spike_m


@dataclass(frozen=True, slots=True)
class FallOfPotential:
    """Three readings with the potential spike in three places: `resistance_ohm` their mean, deviations in percent."""

    resistance_ohm: Decimal
    deviation_percent: Decimal

    @property
    def uncertainty_percent(self) -> Decimal:
        """The deviation with its factor: to be no more than the accuracy wanted (5 % in trade practice)."""
        return self.deviation_percent * DEVIATION_FACTOR


def fall_of_potential(readings_ohm: Sequence[Decimal]) -> FallOfPotential:
    """Mean, and greatest deviation from it, of readings (at least one, mean above zero)."""
    mean = sum(readings_ohm, Decimal(0)) / len(readings_ohm)
    return FallOfPotential(mean, max(abs(reading - mean) for reading in readings_ohm) / mean * 100)


def voltage_drop(current_a: Decimal, length_m: Decimal, ohm_per_km: Decimal, phases: int = 1) -> Decimal:
    """Voltage lost along a cable, resistance alone, volts: there and back on one phase, √3 on three."""
    ways = ROOT_OF_THREE if phases == 3 else Decimal(2)
    return ways * current_a * length_m * ohm_per_km / 1000


def unbalance_percent(voltages_v: Sequence[Decimal]) -> Decimal:
    """Greatest deviation of phase voltages from their mean, percent of it."""
    return fall_of_potential(voltages_v).deviation_percent


def gfci_time(residual_ma: Decimal) -> Decimal:
    """Longest trip time of a UL 943 class A device, seconds."""
    return (GFCI_CURRENT_MA / residual_ma) ** GFCI_EXPONENT


def dead_earthing_limits(
    u0_v: Decimal, operating_a: Decimal, line_mm2: Decimal, earth_mm2: Decimal, share: Decimal
) -> tuple[Decimal, Decimal]:
    """Greatest line-plus-earth and earth resistance measured dead, ohms, for conductors of one metal (AS/NZS 3000).

    `share`: what of the supply voltage is counted on, 0.64 where neither supply nor warming is known.
    """
    both = share * u0_v / operating_a
    return both, both * line_mm2 / (line_mm2 + earth_mm2)


def longest_circuit(
    u0_v: Decimal, operating_a: Decimal, line_mm2: Decimal, earth_mm2: Decimal, resistivity: Decimal
) -> Decimal:
    """Length at which a circuit still trips on 0.8 of the supply voltage, metres (AS/NZS 3000 appendix B).

    `resistivity` in ohm square millimetres a metre at working temperature: 0.0225 for copper.
    """
    share = Decimal("0.8")
    return share * u0_v * line_mm2 * earth_mm2 / (resistivity * operating_a * (line_mm2 + earth_mm2))
