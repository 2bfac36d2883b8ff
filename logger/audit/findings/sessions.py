"""How the logbook was kept: sessions without an end, disks that failed, whether it is sealed."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.state import JobState

CODE: Final = "sessions"


class Sessions:
    """Follows sessions from their beginning to their end."""

    WANTS: ClassVar[Collection[str]] = (
        Kind.OPENED,
        Kind.STOPPED,
        Kind.CLOSED,
        Kind.SEAL,
        Kind.STORAGE_FAULT,
        Kind.CHECKPOINT,
    )

    def __init__(self) -> None:
        self._running: int | None = None
        self._cut_short: list[int] = []
        self._faults: list[int] = []
        self._closed: int | None = None
        self._sealed = False
        self._signed = False

    def take(self, entry: Entry, _data: Mapping[str, Any], _job: JobState) -> None:
        """See one entry."""
        if entry.kind == Kind.OPENED:
            if self._running is not None:
                self._cut_short.append(self._running)
            self._running = entry.number
        elif entry.kind == Kind.STORAGE_FAULT:
            self._faults.append(entry.number)
        elif entry.kind == Kind.CHECKPOINT:
            self._signed = True
        else:
            self._running = None
            if entry.kind == Kind.CLOSED:
                self._closed = entry.number
            self._sealed = self._sealed or entry.kind == Kind.SEAL

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What was found."""
        if self._cut_short:
            yield finding(
                CODE,
                Weight.NOTE,
                self._cut_short,
                f"{_sessions(len(self._cut_short))} cut short: no end is recorded.",
                "Nothing that was confirmed is lost by that; ask what happened (a crash, a flat battery).",
            )
        if self._faults:
            yield finding(
                CODE,
                Weight.NOTE,
                self._faults,
                "The disk did not take entries for a while; they waited and were written again, and that is recorded.",
                "See that the disk has room and is sound.",
            )
        if self._closed is not None and not self._sealed:
            yield finding(
                CODE,
                Weight.NOTE,
                [self._closed],
                "The logbook was closed without a seal"
                + ("." if self._signed else ", and no checkpoint in it is signed.")
                + " What was added or taken away at its end cannot be told from the file alone.",
                "Compare it with a checkpoint kept elsewhere: `zerofirst audit --since`.",
            )


def _sessions(count: int) -> str:
    return "One session was" if count == 1 else f"{count} sessions were"
