"""What a logbook already holds, for the screen: its newest entries as events; and a closed one, to look at.

Read once, before the screen starts, and through the one way out of a logbook, which changes no byte.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from logger.clock import Clock
from logger.errors import ZerofirstError
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.recorder.event import Event
from logger.state import JobState
from tui.wiring import fold

if TYPE_CHECKING:
    from tui.wiring import Outcome

NEWEST_ENTRIES: Final = 400
"""How many of the last entries are looked through, a count: enough for the log lines of the tallest screen."""

EVENT_OF: Final[dict[str, str]] = {
    Kind.READING: "reading",
    Kind.DAMAGED: "damaged",
    Kind.GAP: "gap",
    Kind.FILLED: "filled",
    Kind.LOST: "lost",
    Kind.DISCONNECTED: "disconnected",
    Kind.RECONNECTED: "reconnected",
    Kind.SELF_CHECK: "proof",
    Kind.LAPSED: "lapsed",
    Kind.SELECTION: "selected",
    Kind.RESULT: "result",
    Kind.ALTERATION: "altered",
    Kind.RESTORATION: "restored",
    Kind.POSITION: "set",
    Kind.CAUTION: "caution",
    Kind.CONFIRMATION: "confirmed",
    Kind.SKIP: "skipped",
    Kind.NOTE: "noted",
    Kind.CLOSED: "closed",
}
"""The event that an entry was told by, by kind."""


def newest_events(reader: LogbookReader) -> list[Event]:
    """The last entries that were told by an event, oldest first."""
    first = max(1, reader.size - NEWEST_ENTRIES + 1)
    return [
        Event(EVENT_OF[entry.kind], entry.at, entry.number, entry.data)
        for entry in reader.entries(first=first)
        if entry.kind in EVENT_OF
    ]


class Looking:
    """A closed logbook as a `tui.facts.Sitting`: state without a recorder; nothing is ever submitted to it."""

    def __init__(self, reader: LogbookReader, clock: Clock) -> None:
        self.lock = threading.RLock()
        self.trouble = ""
        self._state = fold(reader, clock)

    @property
    def state(self) -> JobState:
        """What the log says."""
        return self._state

    @property
    def recorder(self) -> None:
        """There is none."""
        return None

    @property
    def failures(self) -> tuple[ZerofirstError, ...]:
        """No lines, no failures."""
        return ()

    def submit(self, step: Mapping[str, Any]) -> None:
        """The desk refuses every step before it comes here."""
        raise AssertionError(f"a closed logbook was given a step: {step}")

    def stop(self) -> None:
        """Nothing runs."""

    def wait(self, timeout_s: float | None = None) -> Outcome | None:  # noqa: ARG002 - the session's own signature
        """Nothing runs, so there is no outcome."""
        return None
