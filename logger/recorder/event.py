"""What the recorder tells, and where it writes.

An `Event` is handed out by the recorder before its entry is durable; whoever owns the log commits first and
publishes after.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from logger.logbook.entries import Kind


class Log(Protocol):
    """Where entries go. `logger.logbook.writer.Logbook` is one; an audit's memory is another."""

    def append(self, kind: Kind, body: Mapping[str, object], at: str | None = None) -> int:
        """Take one entry and return its number; it need not be durable yet."""


@dataclass(frozen=True, slots=True)
class Event:
    """One event of interface section 2.

    Attributes:
        name: `reading`, `proof`, `result`, `refused` …
        at: UTC, RFC 3339.
        entry: number of the entry that it tells of; None where nothing was written.
        fields: the rest, JSON-able.
    """

    name: str
    at: str
    entry: int | None
    fields: Mapping[str, Any]

    def record(self) -> dict[str, Any]:
        """The event as one JSON object."""
        return {"event": self.name, "at": self.at, "entry": self.entry, **self.fields}


class Refusal(Exception):
    """A step that cannot be done. Turned into a `refused` event; nothing was written.

    Attributes:
        why: a sentence that says what to do.
        more: further fields of the event (`possible`, `unfinished` …).
    """

    def __init__(self, why: str, **more: object) -> None:
        super().__init__(why)
        self.why = why
        self.more = more


class MemoryLog:
    """A log in memory: for replay, for the audit's second derivation, for tests."""

    def __init__(self) -> None:
        self.entries: list[tuple[int, str, Kind, Mapping[str, Any]]] = []

    def append(self, kind: Kind, body: Mapping[str, object], at: str | None = None) -> int:
        """Keep the entry; numbers count from 1."""
        self.entries.append((len(self.entries) + 1, at or "", kind, body))
        return len(self.entries)
