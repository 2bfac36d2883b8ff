"""What a pocket formula is: the quantities it takes, and the answer it gives."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Context, Decimal
from typing import Final

from logger.rules.pack import Pack, load_pack
from logger.toml_table import Bounds

RESULT_DIGITS: Final = 10
"""Significant digits of a result given to a program."""

# Below this power of ten a result is nothing: a probability so small would fill a page with noughts.
SMALLEST_PLACE: Final = -40

SHOWN_DIGITS: Final = 4
"""Significant digits of a figure shown to a person."""


# Beyond any figure of the trade: a slipped exponent, which could fill the memory when it is written out.
_LARGEST: Final = Decimal(10) ** 15

ABOVE_ZERO: Final = Bounds(Decimal(0), _LARGEST, "")
FROM_ZERO: Final = Bounds(Decimal(0), _LARGEST, "", low_counts=True)
AMBIENT: Final = Bounds(Decimal(-50), Decimal(250), "°C", low_counts=True)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that a formula is given.

    Attributes:
        name: how it is written before the `=`.
        what: for a person.
        unit: code of the unit in which the formula works, and which a bare number is in; empty for text.
        default: used where it is left out; None where it must be given (unless `optional`).
        bounds: what its values may be, in `unit`.
        many: the fewest values of a list; 1 for a single value.
        exactly: whether a list must have just so many.
        may_be_bound: whether an over-range reading (`>999`) may stand for a value.
        ask: units that a bare number could be in, as mA and A: it is asked for; empty where one is obvious.
    """

    name: str
    what: str
    unit: str = ""
    default: str | None = None
    optional: bool = False
    bounds: Bounds = ABOVE_ZERO
    many: int = 1
    exactly: bool = False
    may_be_bound: bool = False
    ask: tuple[str, ...] = ()

    @property
    def required(self) -> bool:
        """Whether it must be given."""
        return self.default is None and not self.optional


@dataclass(frozen=True, slots=True)
class Given:
    """The quantities of one call, in the units of their formula.

    Attributes:
        bounds: names of quantities given as over range (`>999`): the value is a lower bound.
        rules: name or path of the rule pack that was asked for; None leaves it to the formula.
    """

    numbers: Mapping[str, tuple[Decimal, ...]]
    texts: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    bounds: frozenset[str] = frozenset()
    rules: str | None = None

    def __getitem__(self, name: str) -> Decimal:
        return self.numbers[name][0]

    def many(self, name: str) -> tuple[Decimal, ...]:
        """A list, in the order given."""
        return self.numbers[name]

    def has(self, name: str) -> bool:
        """Whether a quantity was given or has a default."""
        return name in self.numbers or name in self.texts

    def pack(self, default: str) -> Pack:
        """The rule pack asked for, else the one called `default`."""
        return load_pack(self.rules or default)


@dataclass(frozen=True, slots=True)
class Figure:
    """A result, in `unit`."""

    number: Decimal
    unit: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What a formula gives.

    Attributes:
        results: by name; a formula with one result calls it "".
        working: the steps, one a line.
        source: where the formula and its figures come from.
        cautions: what to bear in mind.
        at_least: the true value lies at or above the result (something was over range).
    """

    results: Mapping[str, Figure]
    working: tuple[str, ...]
    source: str
    cautions: tuple[str, ...] = ()
    at_least: bool = False


@dataclass(frozen=True, slots=True)
class Formula:
    """A pocket formula.

    Attributes:
        name: how it is asked for.
        what: one line for the list.
        compute: pure but for reading a rule pack; may raise InputWrong.
        by_rules: whether a rule pack has a say in it.
    """

    name: str
    what: str
    quantities: tuple[Quantity, ...]
    compute: Callable[[Given], Answer]
    by_rules: bool = False


def one(number: Decimal, unit: str) -> dict[str, Figure]:
    """A single result."""
    return {"": Figure(number, unit)}


def exact(number: Decimal) -> str:
    """A result for a program: plain decimal text of `RESULT_DIGITS` significant digits."""
    if not number.is_finite():
        return "inf" if number > 0 else "-inf"
    if number == 0:
        return "0." + "0" * (RESULT_DIGITS - 1)
    rounded = Context(RESULT_DIGITS).plus(number)
    if rounded.adjusted() < SMALLEST_PLACE:
        return exact(Decimal(0))
    places = max(0, RESULT_DIGITS - 1 - rounded.adjusted())
    return f"{rounded:.{places}f}"


def shown(number: Decimal, digits: int = SHOWN_DIGITS) -> str:
    """A figure for a person: plain decimal text, at most `digits` significant digits, no trailing zeros."""
    if not number.is_finite():
        return "∞"
    return f"{Context(digits).plus(number).normalize():f}" if number else "0"
