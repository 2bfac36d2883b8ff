"""Readings that never came, and bytes that were damaged on the way."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.state import JobState

CODE: Final = "losses"

DOUBTFUL_SHARE: Final = 0.1
"""Lost numbers over all numbers from which on the record is no fair picture of what the meter read."""

DOUBTFUL_NUMBERS: Final = 200
"""Fewer than these, twenty seconds of a stream, a pulled plug explains."""


MEMORY_AT_MOST: Final = 1_000
"""How many meters, gaps between sessions and losses are kept."""


def _boot(data: Mapping[str, Any]) -> tuple[str, str]:
    return str(data["serial"]), str(data["boot"])


class Losses:
    """Counts lost numbers and damaged pieces."""

    WANTS: ClassVar[Collection[str]] = (Kind.OPENED, Kind.LOST, Kind.DAMAGED, Kind.READING, Kind.GAP)

    def __init__(self) -> None:
        self._seen: set[tuple[str, str]] = set()
        self._between: list[tuple[tuple[str, str], int, int]] = []
        self._while_away = 0
        self._lost: list[int] = []
        self._numbers = 0
        self._damaged = 0
        self._first_damaged: list[int] = []
        self._readings = 0

    def take(self, entry: Entry, data: Mapping[str, Any], _job: JobState) -> None:
        """See one entry."""
        if entry.kind == Kind.READING:
            self._readings += 1
            self._see(data)
        elif entry.kind == Kind.OPENED:
            self._seen.clear()
        elif entry.kind == Kind.GAP:
            if self._see(data) and len(self._between) < MEMORY_AT_MOST:
                self._between.append((_boot(data), int(data["first"]), int(data["last"])))
        elif entry.kind == Kind.LOST:
            self._count_lost(entry.number, data)
        else:
            self._damaged += 1
            if len(self._first_damaged) < 5:
                self._first_damaged.append(entry.number)

    def _see(self, data: Mapping[str, Any]) -> bool:
        """Whether nothing of this boot came in this session before: what is missing then came while nobody recorded."""
        name = _boot(data)
        new = name not in self._seen
        if new and len(self._seen) < MEMORY_AT_MOST:
            self._seen.add(name)
        return new

    def _count_lost(self, number: int, data: Mapping[str, Any]) -> None:
        low, high = int(data["first"]), int(data["last"])
        count = high - low + 1
        if any(name == _boot(data) and first <= low and high <= last for name, first, last in self._between):
            self._while_away += count
            return
        self._numbers += count
        if len(self._lost) < MEMORY_AT_MOST:
            self._lost.append(number)

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What was found."""
        if self._numbers:
            share = self._numbers / (self._numbers + self._readings)
            heavy = share >= DOUBTFUL_SHARE and self._numbers >= DOUBTFUL_NUMBERS
            yield finding(
                CODE,
                Weight.DOUBT if heavy else Weight.NOTE,
                self._lost,
                f"{self._numbers} numbers that meters counted never came ({share:.1%} of all), and their memory no "
                "longer had them.",
                "Look at what was tested when they were lost, and why the line failed; take its results again.",
            )
        if self._while_away:
            yield finding(
                CODE,
                Weight.NOTE,
                [],
                f"{self._while_away} numbers were counted by meters between sessions, while nobody recorded.",
                "Nothing to do: no result rests on them.",
            )
        if self._damaged:
            yield finding(
                CODE,
                Weight.NOTE,
                self._first_damaged,
                f"{self._damaged} pieces of what came over the lines were damaged; none of them became a reading.",
                "If there are many, look at the cable, the baud rate, and what else is on the line.",
            )
