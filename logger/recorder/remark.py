"""Remarks: notes on other entries, which somebody adds who did not record them. No sign of a recorder at work, so that
neither when a session ended nor what was proven then is ever judged by one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from logger.logbook.entries import Entry, Kind
from logger.logbook.reader import LogbookReader


def is_remark(kind: str, body: Mapping[str, Any]) -> bool:
    """Whether an entry is one: a note with the number of the entry that it is about."""
    return kind == Kind.NOTE and type(body.get("about")) is int


def last_recorded_at(reader: LogbookReader) -> str | None:
    """When the newest entry was written that is neither a remark nor belongs to one (its writer's key before it, its
    checkpoint behind it). None where there is no entry."""
    number = reader.size
    while number:
        entry = reader.entry(number)
        if _is_remark(entry) or (entry.kind == Kind.OPERATOR and number > 1):
            number -= 1
        elif entry.kind == Kind.CHECKPOINT and number > 1 and _is_remark(reader.entry(number - 1)):
            number -= 2
        else:
            return entry.at
    return None


def _is_remark(entry: Entry) -> bool:
    return entry.kind == Kind.NOTE and is_remark(entry.kind, entry.data)


class LastRecorded:
    """The same, while a logbook is walked through in order."""

    def __init__(self) -> None:
        self.at: str | None = None
        self._after_remark = False

    def take(self, entry: Entry, data: Mapping[str, Any]) -> None:
        """See one entry."""
        belongs = entry.kind == Kind.CHECKPOINT and self._after_remark
        self._after_remark = entry.kind == Kind.NOTE and is_remark(entry.kind, data)
        if not belongs and not self._after_remark and entry.kind != Kind.OPERATOR:
            self.at = entry.at
