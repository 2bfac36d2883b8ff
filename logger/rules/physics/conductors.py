"""Copper conductors: resistance by section, length and temperature, and what a ring of them must read.

Resistances per length are the greatest that IEC 60228 allows at 20 °C for plain annealed copper, so a real cable reads
the same or a few percent less. Sections are mm², lengths metres, temperatures degrees Celsius, resistances ohms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

REFERENCE_C: Final = Decimal(20)
"""Temperature for which the tables hold."""

ALPHA: Final = Decimal("0.00393")
"""Copper's resistance rises by this share of its 20 °C value for each degree."""

ALPHA_ROUNDED: Final = Decimal("0.004")
"""The same as British practice rounds it."""

CLASSES: Final = (1, 2, 5)
"""IEC 60228 classes in the table: solid, stranded, flexible."""

_TABLE: Final[dict[str, tuple[str, str, str]]] = {
    "0.5": ("36.0", "36.0", "39.0"),
    "0.75": ("24.5", "24.5", "26.0"),
    "1": ("18.1", "18.1", "19.5"),
    "1.5": ("12.1", "12.1", "13.3"),
    "2.5": ("7.41", "7.41", "7.98"),
    "4": ("4.61", "4.61", "4.95"),
    "6": ("3.08", "3.08", "3.30"),
    "10": ("1.83", "1.83", "1.91"),
    "16": ("1.15", "1.15", "1.21"),
    "25": ("0.727", "0.727", "0.780"),
    "35": ("0.524", "0.524", "0.554"),
    "50": ("0.387", "0.387", "0.386"),
    "70": ("0.268", "0.268", "0.272"),
    "95": ("0.193", "0.193", "0.206"),
}

OHM_PER_KM: Final[dict[Decimal, dict[int, Decimal]]] = {
    Decimal(section): dict(zip(CLASSES, map(Decimal, row), strict=True)) for section, row in _TABLE.items()
}
"""Greatest resistance at 20 °C in ohms a kilometre, by section and class (IEC 60228)."""


def ohm_per_km(section_mm2: Decimal, conductor_class: int = 2) -> Decimal | None:
    """Greatest resistance of a kilometre at 20 °C; None for a section or class that the table does not have."""
    return OHM_PER_KM.get(section_mm2, {}).get(conductor_class)


def copper_factor(temperature_c: Decimal, alpha: Decimal = ALPHA) -> Decimal:
    """Resistance at a temperature over that at 20 °C. Above zero for every temperature above -234 °C."""
    return 1 + alpha * (temperature_c - REFERENCE_C)


def to_20_factor(temperature_c: Decimal) -> Decimal:
    """What a measured resistance is multiplied by to have it at 20 °C, as IEC 60228 gives it: 250 / (230 + T)."""
    return Decimal(250) / (230 + temperature_c)


def resistance(per_km_ohm: Decimal, length_m: Decimal, temperature_c: Decimal = REFERENCE_C) -> Decimal:
    """Resistance of one conductor from end to end, ohms."""
    return per_km_ohm * length_m / 1000 * copper_factor(temperature_c)


def to_20_degrees(measured_ohm: Decimal, temperature_c: Decimal) -> Decimal:
    """A measured resistance brought to 20 °C, ohms."""
    return measured_ohm / copper_factor(temperature_c)


def implied_length(measured_ohm: Decimal, per_km_ohm: Sequence[Decimal]) -> Decimal:
    """Length at which conductors in series (there and back) have the measured resistance at 20 °C, metres."""
    return measured_ohm * 1000 / sum(per_km_ohm, Decimal(0))


@dataclass(frozen=True, slots=True)
class Band:
    """Where a measured resistance should lie, ohms."""

    low_ohm: Decimal
    expected_ohm: Decimal
    high_ohm: Decimal


# How far below and above its expected value a measured R1+R2 is still unremarkable (this project's suggestion): real
# cable lies up to 15 % under the table's maxima, 10 % more covers the length as laid, and each termination adds some.
BAND_LOW: Final = Decimal("0.85")
BAND_HIGH: Final = Decimal("1.10")
TERMINATION_OHM: Final = Decimal("0.02")


def expected_band(expected_ohm: Decimal, half_width_ohm: Decimal, terminations: int = 2) -> Band:
    """The band round an expected resistance, for a meter with `half_width_ohm` of its own."""
    slack = half_width_ohm + TERMINATION_OHM * terminations
    return Band(max(Decimal(0), BAND_LOW * expected_ohm - slack), expected_ohm, BAND_HIGH * expected_ohm + slack)


RING_OHM: Final = Decimal("0.05")
"""How far line and neutral of a ring may differ, and sockets from the calculated value, ohms (BS 7671, 643.2)."""


@dataclass(frozen=True, slots=True)
class Ring:
    """A ring final circuit, read end to end at the board: line, neutral and protective conductor, ohms each."""

    r1_ohm: Decimal
    rn_ohm: Decimal
    r2_ohm: Decimal

    @property
    def ratio(self) -> Decimal:
        """r2 over r1: the sections' ratio, 1.67 for 2.5 and 1.5 mm² by area."""
        return self.r2_ohm / self.r1_ohm

    @property
    def line_neutral_ohm(self) -> Decimal:
        """What every socket reads with line and neutral legs crossed at the board."""
        return (self.r1_ohm + self.rn_ohm) / 4

    def line_earth_ohm(self, share: Decimal) -> Decimal:
        """What the socket at `share` (0 to 1) of the way round reads with line and earth legs crossed."""
        there = share * self.r1_ohm + (1 - share) * self.r2_ohm
        back = (1 - share) * self.r1_ohm + share * self.r2_ohm
        return there * back / (self.r1_ohm + self.r2_ohm)

    def uncrossed_ohm(self, share: Decimal) -> Decimal:
        """What the same socket reads where the legs were joined to the wrong ends: near nothing at the board."""
        return share * (1 - share) * (self.r1_ohm + self.r2_ohm)
