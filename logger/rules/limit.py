"""One limit, made ready to judge by: its edges, where they come from, and the sentence that a person reads."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_DOWN, ROUND_FLOOR, Context, Decimal
from enum import StrEnum
from typing import Final

from logger.quantity import in_base

# Digits that a computed limit keeps: two more than any meter shows, few enough to read.
LIMIT_DIGITS: Final = 6


class Confidence(StrEnum):
    """How well a figure of a pack is known."""

    PUBLIC = "P"
    """A public source states it."""
    TRADE = "T"
    """Known from the trade, not confirmed by a public source."""
    UNSURE = "U"
    """Remembered imprecisely, or sources or editions differ: never judged by."""
    DERIVED = "D"
    """Calculated from stated figures."""
    SUGGESTED = "S"
    """This project's own suggestion, no requirement of a standard."""

    @property
    def words(self) -> str:
        """For a person."""
        return _CONFIDENCE_WORDS[self]


JUDGED_BY: Final = frozenset({Confidence.PUBLIC, Confidence.TRADE, Confidence.DERIVED})
"""How well a figure must be known to give a verdict."""

_CONFIDENCE_WORDS: Final = {
    Confidence.PUBLIC: "a public source states it",
    Confidence.TRADE: "known from the trade",
    Confidence.UNSURE: "unsure: check your edition",
    Confidence.DERIVED: "calculated from stated figures",
    Confidence.SUGGESTED: "this project's suggestion",
}


class Side(StrEnum):
    """Which side of a limit is the good one."""

    MIN = "min"
    MAX = "max"


@dataclass(frozen=True)
class Edge:
    """One end of what is allowed.

    Attributes:
        text: the figure as the record shows it, in the limit's unit.
        number: the same, exact, in the base unit.
    """

    side: Side
    text: str
    number: Decimal
    base: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "base", float(self.number))


@dataclass(frozen=True)
class Limit:
    """What a reading is judged by, or why it is only recorded.

    Attributes:
        rule: `pack/limit`, its name in the record.
        unit: UCUM code of every figure here.
        edges: none (recorded), one, or a lower and an upper.
        doubt: a second reading of the rule, where sources differ: between it and the edge nothing is judged.
        no_trip: only an over-range reading of at least the edge will do (a device that must not operate).
        operating_percent: uncertainty that the instrument standard allows, percent of the reading.
        source: edition and clause.
        sentence: what is asked, or why nothing is judged.
    """

    rule: str
    unit: str
    edges: tuple[Edge, ...]
    source: str
    confidence: Confidence
    sentence: str
    operating_percent: float
    doubt: Edge | None = None
    no_trip: bool = False

    @property
    def judged(self) -> bool:
        """Whether a verdict can come of it; a limit that is unsure, or our own suggestion, never gives one."""
        return bool(self.edges) and self.confidence in JUDGED_BY

    @property
    def words(self) -> str:
        """What is asked, short: `at least 1.0 MOhm`, `130 to 500 ms`; empty where nothing is judged."""
        if not self.edges:
            return ""
        if len(self.edges) == 2:
            return f"{self.edges[0].text} to {self.edges[1].text} {self.unit}"
        return f"{'at least' if self.edges[0].side is Side.MIN else 'at most'} {self.edges[0].text} {self.unit}"


def edge(side: Side, number: Decimal, unit: str, text: str = "") -> Edge:
    """An edge at `number` of `unit`; a computed one (no `text`) is cut to `LIMIT_DIGITS` towards the strict side."""
    if not text:
        rounding = ROUND_FLOOR if side is Side.MAX else ROUND_CEILING
        number = Context(LIMIT_DIGITS, rounding).plus(number)
        text = format(number.normalize(Context(LIMIT_DIGITS, ROUND_DOWN)), "f")
    return Edge(side, text, in_base(number, unit))
