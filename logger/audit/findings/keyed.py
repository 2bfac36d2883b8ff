"""Readings that somebody keyed by hand, and captures played again: how many, and by whom."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import ENTRIES_AT_MOST, Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.reading import Origin
from logger.state import JobState
from logger.text import harmless

CODE: Final = "keyed"

OPERATORS_AT_MOST: Final = 100
"""How many operators are told apart."""


class Keyed:
    """Counts readings and results by where they came from."""

    WANTS: ClassVar[Collection[str]] = (Kind.READING, Kind.RESULT)

    def __init__(self) -> None:
        self._by: Counter[str] = Counter()
        self._keyed_results: list[int] = []
        self._first: list[int] = []
        self._results = 0
        self._replayed = 0
        self._replayed_results: list[int] = []

    def take(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        """See one entry."""
        origin = data.get("origin")
        if entry.kind == Kind.RESULT:
            self._results += 1
            if origin == Origin.KEYED:
                self._keyed_results.append(entry.number)
            elif origin == Origin.REPLAY:
                self._replayed_results.append(entry.number)
        elif origin == Origin.KEYED:
            name = job.operator if job.operator in self._by or len(self._by) < OPERATORS_AT_MOST else "others"
            self._by[name] += 1
            if len(self._first) < ENTRIES_AT_MOST:
                self._first.append(entry.number)
        elif origin == Origin.REPLAY:
            self._replayed += 1

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What was found."""
        if self._by:
            whom = ", ".join(
                f"{harmless(name, 40) or 'nobody named'} {count}" for name, count in self._by.most_common(5)
            )
            yield finding(
                CODE,
                Weight.NOTE,
                self._keyed_results or self._first,
                f"{sum(self._by.values())} readings were keyed by hand ({whom}); {len(self._keyed_results)} of "
                f"{self._results} results rest on one. No bytes of a meter stand behind them.",
                "Trust them as far as the person who read the meter.",
            )
        if self._replayed:
            yield finding(
                CODE,
                Weight.DOUBT if self._replayed_results else Weight.NOTE,
                self._replayed_results,
                f"{self._replayed} readings come from a capture that was played again, {len(self._replayed_results)} "
                "results rest on one: they were not measured when this was recorded.",
                "Use the logbook that the capture was made with.",
            )
