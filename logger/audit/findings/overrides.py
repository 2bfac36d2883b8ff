"""Live tests that were begun although the dead ones they rest on did not stand."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.state import JobState
from logger.text import harmless

CODE: Final = "overrides"

KEPT_AT_MOST: Final = 1_000
"""How many are kept."""


class Overrides:
    """Keeps selections with an override."""

    WANTS: ClassVar[Collection[str]] = (Kind.SELECTION,)

    def __init__(self) -> None:
        self._found: list[tuple[int, str]] = []

    def take(self, entry: Entry, data: Mapping[str, Any], _job: JobState) -> None:
        """See one selection."""
        if data.get("override") and len(self._found) < KEPT_AT_MOST:
            what = f"{data['test']} on {harmless(str(data['item']), 40)}: {harmless(str(data['override']), 100)}"
            self._found.append((entry.number, what))

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What was found."""
        if self._found:
            yield finding(
                CODE,
                Weight.NOTE,
                [number for number, _ in self._found],
                f"{len(self._found)} live tests were begun before the dead ones stood ({self._found[0][1]}).",
                "See whether the reason given holds.",
            )
