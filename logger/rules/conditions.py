"""`when` in a rule pack: facts that must hold for a test or a limit to apply. A closed vocabulary, no code in it.

    when = { system = ["TN-S", "TN-C-S"], rcd = true, nominal_v_at_most = "500", protection_a_known = true }

A text fact is one of a list, a flag is true or false, a figure is `_at_most`, `_above`, `_at_least`, `_below` a limit,
or `_is` equal to it, and any fact but a flag is `_known` or not. All must hold.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from logger.rules.facts import FLAG_FACTS, NUMBER_FACTS, TEXT_FACTS, Facts
from logger.toml_table import Bounds, Table

FIGURE: Final = Bounds(Decimal(-1_000_000_000), Decimal(1_000_000_000), "", low_counts=True)
"""Any figure that a rule may hold."""

COMPARISONS: Final[dict[str, Callable[[Decimal, Decimal], bool]]] = {
    "_at_most": lambda fact, limit: fact <= limit,
    "_at_least": lambda fact, limit: fact >= limit,
    "_above": lambda fact, limit: fact > limit,
    "_below": lambda fact, limit: fact < limit,
    "_is": lambda fact, limit: fact == limit,
}


@dataclass(frozen=True, slots=True)
class Condition:
    """One fact that must hold: what `fact` is compared with, and how (an ending of the key; empty for equality)."""

    fact: str
    ending: str
    wanted: bool | Decimal | tuple[str, ...]

    def holds(self, facts: Facts) -> bool:
        """Whether it does for these facts; an unknown fact satisfies nothing but `_known = false`."""
        value = getattr(facts, self.fact)
        if self.ending == "_known":
            return (value is not None) is self.wanted
        if isinstance(self.wanted, tuple):
            return value in self.wanted
        if isinstance(self.wanted, bool):
            return value is self.wanted
        return value is not None and COMPARISONS[self.ending](value, self.wanted)

    @property
    def words(self) -> str:
        """For a person."""
        name = FACT_WORDS[self.fact]
        if self.ending == "_known":
            return f"{name} {'known' if self.wanted else 'not known'}"
        if isinstance(self.wanted, tuple):
            return f"{name} {' or '.join(self.wanted)}"
        if isinstance(self.wanted, bool):
            return name if self.wanted else f"not {name}"
        return f"{name} {self.ending.strip('_').replace('_', ' ')} {self.wanted}"


FACT_WORDS: Final = {
    "system": "earthing",
    "phases": "phases",
    "u0": "supply voltage",
    "nominal_v": "nominal voltage",
    "fed": "fed from another board",
    "ring": "a ring",
    "earthed": "with a protective conductor",
    "load": "load",
    "sensitive": "with electronics or surge devices",
    "heating": "with heating elements",
    "heating_w": "heating watts",
    "protection": "device type",
    "protection_a": "device amperes",
    "breaking_ka": "breaking capacity in kA",
    "rcd": "with a residual current device",
    "rcd_type": "residual current device type",
    "rcd_ma": "rated residual milliamperes",
    "rcd_delayed": "delayed",
    "cord_m": "cord metres",
    "cord_mm2": "cord mm²",
    "test_v": "test voltage",
    "multiple": "multiple of rated current",
    "pair": "measured between",
    "element": "heating element",
}
"""How a person calls each fact."""


def read_conditions(table: Table, keys: Mapping[str, object]) -> tuple[Condition, ...]:
    """The conditions in `table`, whose keys are those of `keys`; faults are told by the table."""
    found: list[Condition] = []
    for key in keys:
        condition = _read(table, key)
        if condition is not None:
            found.append(condition)
    table.finish()
    return tuple(found)


def _read(table: Table, key: str) -> Condition | None:
    if key in FLAG_FACTS:
        return Condition(key, "", table.flag(key))
    if key in TEXT_FACTS:
        return Condition(key, "", table.texts(key))
    for ending in COMPARISONS:
        fact = key.removesuffix(ending)
        if fact != key and fact in NUMBER_FACTS:
            limit = table.number(key, FIGURE)
            return None if limit is None else Condition(fact, ending, limit)
    fact = key.removesuffix("_known")
    if fact != key and fact in (*NUMBER_FACTS, *TEXT_FACTS):
        return Condition(fact, "_known", table.flag(key))
    return None
