"""One measurement used twice: the same reading of the same power-up of a meter stands in two logbooks."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, ClassVar, Final

from logger.audit.finding import Across, Extract, Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.reading import Origin
from logger.state import JobState
from logger.text import harmless

CODE: Final = "shared"

RESULTS_AT_MOST: Final = 20_000
"""How many results of one logbook are compared."""

Name = tuple[str, str, int, str, str]
"""Serial, boot and number name a reading for ever; its figure and the meter's own time tell a meter that gives one name
twice (a simulated one does) from a reading that stands twice."""


class Shared:
    """Keeps the names of the readings that results rest on."""

    WANTS: ClassVar[Collection[str]] = (Kind.READING, Kind.RESULT)

    def __init__(self) -> None:
        self._newest: tuple[int, Name] | None = None
        self._taken: dict[Name, int] = {}

    def take(self, entry: Entry, data: Mapping[str, Any], _job: JobState) -> None:
        """See one entry."""
        if entry.kind == Kind.READING:
            if data["accepted"] and data["origin"] != Origin.KEYED:
                self._newest = (entry.number, _name(data))
        elif self._newest is not None and data.get("reading") == self._newest[0] and len(self._taken) < RESULTS_AT_MOST:
            self._taken.setdefault(self._newest[1], entry.number)

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """Nothing of one logbook alone."""
        return iter(())

    def extract(self) -> Extract:
        """The names."""
        return Extract(CODE, self._taken)


def _name(data: Mapping[str, Any]) -> Name:
    figure = f"{data['relation']} {data['value']} {data['unit']}"
    return str(data["serial"]), str(data["boot"]), int(data["n"]), figure, str(data.get("meter_ms"))


def across(kept: Sequence[Mapping[Name, int]]) -> Across:
    """Readings that two logbooks have in common; told of the later one given."""
    first: dict[Name, int] = {}
    found: dict[tuple[int, int], list[tuple[int, Name]]] = {}
    for place, taken in enumerate(kept):
        for name, entry in taken.items():
            before = first.setdefault(name, place)
            if before != place:
                found.setdefault((before, place), []).append((entry, name))
    for (before, place), both in found.items():
        serial, _, n, *_ = both[0][1]
        yield (
            place,
            finding(
                CODE,
                Weight.DOUBT,
                [entry for entry, _ in both],
                f"{len(both)} results rest on readings that logbook {before + 1} of those given uses too (first: "
                f"number {n} of meter {harmless(serial, 40)}).",
                "One measurement counts for one job: find out which, and take the others again.",
            ),
        )
