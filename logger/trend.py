"""Insulation of an item over time: each result as it was read, and at one temperature where its own is known.

For comparing only. A verdict stands on the reading as it was taken; a normalised figure is never held against a limit.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from logger.bodies import Body
from logger.logbook.entries import Entry, Kind
from logger.quantity import Displayed, Relation, Test, in_unit, is_decimal
from logger.rules.physics.insulation import at_temperature
from logger.state import JobState

MEGOHM: Final = "MOhm"


@dataclass(frozen=True, slots=True)
class TrendKey:
    """What may be compared: one item between the same conductors at one test voltage."""

    item: str
    between: str
    voltage: str | None


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One result.

    Attributes:
        at: UTC, RFC 3339.
        reading: entry of its reading.
        temperature_c: ambient, as the meter or the person said; None where nobody did.
        in_doubt: a later check failed.
    """

    key: TrendKey
    at: str
    entry: int
    reading: int | None
    value: Displayed
    temperature_c: Decimal | None
    in_doubt: bool

    def normalised_mohm(self, to_c: Decimal) -> Decimal | None:
        """At `to_c` by the halving rule, megohms; a bound stays one. None where the temperature is not known."""
        if self.temperature_c is None or not self.value.number.is_finite():
            return None
        return at_temperature(in_unit(self.value.number, self.value.unit, MEGOHM), self.temperature_c, to_c)


def trend_points(entries: Iterable[Entry], state: JobState) -> list[TrendPoint]:
    """The insulation results among `entries`, in their order; `state` says which of them are in doubt."""
    doubted = state.doubted
    return [
        _point(entry, entry.data, in_doubt=entry.number in doubted)
        for entry in entries
        if entry.kind == Kind.RESULT and entry.data.get("test") == Test.INSULATION and entry.data.get("unit")
    ]


def _point(entry: Entry, body: Body, *, in_doubt: bool) -> TrendPoint:
    said = str(body.get("temperature", ""))
    reading = body.get("reading")
    return TrendPoint(
        key=TrendKey(str(body["item"]), str(body.get("between") or ""), body.get("voltage")),
        at=entry.at,
        entry=entry.number,
        reading=reading if isinstance(reading, int) else None,
        value=Displayed(str(body["value"]), str(body["unit"]), Relation(body["relation"])),
        temperature_c=Decimal(said) if is_decimal(said) else None,
        in_doubt=in_doubt,
    )
