"""Results picked from many takes: failed until one was good, or taken before the reading was steady."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Final

from logger.audit.finding import ENTRIES_AT_MOST, Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.quantity import Test
from logger.reading import Flag
from logger.state import JobState
from logger.text import harmless

CODE: Final = "takes"

TOLD_FROM: Final = 3
"""So many takes of one thing are told."""

DOUBTFUL_FAILS: Final = 5
"""So many failed takes before the one that met its limit, with nothing done or said in between, need an explanation."""

PLACES_AT_MOST: Final = 20_000
"""How many things that were tested are kept in mind."""

_EXPLAINS: Final = frozenset(
    {Kind.NOTE, Kind.ALTERATION, Kind.RESTORATION, Kind.POSITION, Kind.SELF_CHECK, Kind.LAPSED}
)
"""What explains that the next take is another: something was done, said or checked."""


@dataclass(slots=True)
class _Place:
    """One item, test, conductors and voltage.

    Attributes:
        fails: in a row, with nothing in between that explains them, in the stretch `since`.
        worst: how many there were before one that did not fail.
    """

    takes: list[int] = field(default_factory=list)
    verdicts: list[str] = field(default_factory=list)
    fails: int = 0
    since: int = 0
    worst: int = 0


class Takes:
    """Follows the takes of each thing that is tested."""

    WANTS: ClassVar[Collection[str]] = (*_EXPLAINS, Kind.RESULT, Kind.READING)

    def __init__(self) -> None:
        self._places: dict[tuple[str, ...], _Place] = {}
        self._stretch = 0
        self._steady: dict[str, bool] = {}
        self._reading = 0
        self._newest_unsteady = False
        self._unsteady: list[int] = []

    def take(self, entry: Entry, data: Mapping[str, Any], _job: JobState) -> None:
        """See one entry."""
        if entry.kind == Kind.READING:
            if data["accepted"]:
                self._reading = entry.number
                self._note_steady(data)
        elif entry.kind == Kind.RESULT:
            self._result(entry, data)
        else:
            self._stretch += 1

    def _note_steady(self, data: Mapping[str, Any]) -> None:
        """Only of a meter that says of some readings that they are steady is it known that others are not."""
        steady = Flag.STEADY in data.get("flags", ())
        serial = str(data["serial"])
        if steady and len(self._steady) < PLACES_AT_MOST:
            self._steady[serial] = True
        unsure = data["function"] == Test.INSULATION and data["relation"] == "eq"
        self._newest_unsteady = unsure and not steady and self._steady.get(serial, False)

    def _result(self, entry: Entry, data: Mapping[str, Any]) -> None:
        if data.get("reading") == self._reading and self._newest_unsteady and len(self._unsteady) < ENTRIES_AT_MOST:
            self._unsteady.append(entry.number)
        name = tuple(str(data.get(each)) for each in ("item", "test", "between", "voltage", "setting"))
        if name not in self._places and len(self._places) >= PLACES_AT_MOST:
            return
        place = self._places.setdefault(name, _Place())
        if len(place.takes) < ENTRIES_AT_MOST:
            place.takes.append(entry.number)
            place.verdicts.append(str(data["verdict"]))
        if place.since != self._stretch:
            place.fails, place.since = 0, self._stretch
        if data["verdict"] == "fails":
            place.fails += 1
        else:
            place.worst = max(place.worst, place.fails)
            place.fails = 0

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What was found."""
        for name, place in self._places.items():
            if place.worst >= DOUBTFUL_FAILS:
                yield finding(
                    CODE,
                    Weight.DOUBT,
                    place.takes,
                    f"{name[1]} on {harmless(name[0], 40)} failed {place.worst} times in a row and then met its limit, "
                    "and nothing that was done or said explains it.",
                    "Ask what was changed between them; have it tested again.",
                )
        many = {name: place for name, place in self._places.items() if len(place.takes) >= TOLD_FROM}
        if many:
            name, place = max(many.items(), key=lambda each: len(each[1].takes))
            yield finding(
                CODE,
                Weight.NOTE,
                [entry for each in many.values() for entry in each.takes],
                f"{len(many)} tests were taken {TOLD_FROM} times or more (most often {name[1]} on "
                f"{harmless(name[0], 40)}: {', '.join(place.verdicts[:8])}).",
                "See that the result that stands is the last one for a reason, and not the best one.",
            )
        if self._unsteady:
            yield finding(
                CODE,
                Weight.NOTE,
                self._unsteady,
                f"{len(self._unsteady)} insulation results were taken before the meter called its reading steady.",
                "Wait until the reading stands still; long cables take their time to charge.",
            )
