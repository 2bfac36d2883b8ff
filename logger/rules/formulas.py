"""Limits that are computed from the plan: the closed list of formulas that a pack may name, each with its figures.

A pack holds figures, never code; what a formula does with them is here and nowhere else. Where the plan lacks what a
formula needs, nothing is judged and the reading is recorded, with what is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from logger.rules.facts import Facts
from logger.rules.physics import appliances, conductors, loops

Figures = Mapping[str, Decimal]
"""A formula's figures as the pack gives them, by name; those of a table are named by what they are looked up by."""


@dataclass(frozen=True, slots=True)
class Computed:
    """What a formula gives: lower and upper edge (None where there is none) and a second reading of the rule."""

    least: Decimal | None = None
    most: Decimal | None = None
    doubt: Decimal | None = None


@dataclass(frozen=True, slots=True)
class LimitFormula:
    """A formula of the list.

    Attributes:
        unit: UCUM code of what it gives.
        figures: names that the pack must give; `optional` ones it may; a `table` takes any name.
        facts: what the plan must say.
    """

    unit: str
    figures: tuple[str, ...]
    facts: tuple[str, ...]
    compute: Callable[[Figures, Facts], Computed | None]
    optional: tuple[str, ...] = ()
    table: bool = False


def _known(value: Decimal | None) -> Decimal:
    """A fact that `Formula.facts` names, which the caller has seen to be known."""
    assert value is not None
    return value


def _loop(figures: Figures, facts: Facts) -> Computed | None:
    """Loop impedance at which the breaker's magnetic release still operates, ohms."""
    times = figures.get(str(facts.protection))
    if times is None:
        return None
    most = loops.loop_limit(_known(facts.u0), times * _known(facts.protection_a), figures["voltage_factor"])
    return Computed(most=most * figures["share"])


def _rating_table(figures: Figures, facts: Facts) -> Computed | None:
    """A figure looked up by the rated current of the device."""
    most = figures.get(format(_known(facts.protection_a).normalize(), "f"))
    return None if most is None else Computed(most=most * figures.get("share", Decimal(1)))


def _electrode(figures: Figures, facts: Facts) -> Computed:
    """Resistance at which the residual current raises the touch voltage to its limit, ohms."""
    return Computed(most=loops.electrode_limit(figures["touch_v"], _known(facts.rcd_ma) / 1000))


def _share_of_rated(figures: Figures, facts: Facts) -> Computed:
    """A window of the rated residual current, milliamperes."""
    rated = _known(facts.rcd_ma)
    return Computed(least=figures["low"] * rated, most=figures["high"] * rated)


def _cord(figures: Figures, facts: Facts) -> Computed:
    """Earth resistance of an appliance by the length of its cord, ohms: pro rata, and by each step begun as doubt."""
    pro_rata, stepped = appliances.cord_earth_limits(
        _known(facts.cord_m),
        figures["base"],
        figures["free_m"],
        figures["per_step"],
        figures["step_m"],
        figures["most"],
    )
    return Computed(most=pro_rata, doubt=stepped)


def _cord_plus(figures: Figures, facts: Facts) -> Computed | None:
    """Earth resistance of an appliance: the cord's own conductor and an allowance, ohms."""
    ohm_per_km = conductors.ohm_per_km(_known(facts.cord_mm2), conductor_class=5)
    return (
        None if ohm_per_km is None else Computed(most=figures["allowance"] + ohm_per_km * _known(facts.cord_m) / 1000)
    )


def _per_kilowatt(figures: Figures, facts: Facts) -> Computed:
    """Leakage of a heating appliance by its power, milliamperes."""
    power_w = _known(facts.heating_w)
    return Computed(most=appliances.leakage_by_power(power_w, figures["per_kw"], figures["least"], figures["most"]))


def _breaking(_figures: Figures, facts: Facts) -> Computed:
    """Loop impedance below which the fault current exceeds what the device can break, ohms."""
    return Computed(least=_known(facts.u0) / (_known(facts.breaking_ka) * 1000))


def _supply_window(figures: Figures, facts: Facts) -> Computed:
    """Supply voltage between two percentages of nominal, volts."""
    u0 = _known(facts.u0)
    return _window(figures, u0)


def _line_window(figures: Figures, facts: Facts) -> Computed | None:
    """The same between two lines of a three-phase supply, volts."""
    return None if facts.phases != 3 else _window(figures, _known(facts.nominal_v))


def _window(figures: Figures, nominal_v: Decimal) -> Computed:
    return Computed(nominal_v * (1 + figures["low_percent"] / 100), nominal_v * (1 + figures["high_percent"] / 100))


FORMULAS: Final[dict[str, LimitFormula]] = {
    "loop": LimitFormula(
        "Ohm",
        ("voltage_factor", "share", "cold_share"),
        ("u0", "protection", "protection_a"),
        _loop,
        optional=("B", "C", "D"),
    ),
    "rating-table": LimitFormula("Ohm", (), ("protection_a",), _rating_table, table=True),
    "electrode": LimitFormula("Ohm", ("touch_v",), ("rcd_ma",), _electrode),
    "share-of-rated": LimitFormula("mA", ("low", "high"), ("rcd_ma",), _share_of_rated),
    "cord": LimitFormula("Ohm", ("base", "free_m", "per_step", "step_m", "most"), ("cord_m",), _cord),
    "cord-plus": LimitFormula("Ohm", ("allowance",), ("cord_m", "cord_mm2"), _cord_plus),
    "per-kilowatt": LimitFormula("mA", ("per_kw", "least", "most"), ("heating_w",), _per_kilowatt),
    "breaking": LimitFormula("Ohm", (), ("u0", "breaking_ka"), _breaking),
    "supply-window": LimitFormula("V", ("low_percent", "high_percent"), ("u0",), _supply_window),
    "line-window": LimitFormula("V", ("low_percent", "high_percent"), ("nominal_v",), _line_window),
}
"""The whole list."""
