"""The audit's second derivation: from raw bytes, driver, plan and rule pack the same entries, to the letter.

Two walks that do not need each other (`Part`), so that two cores can share a large logbook: the bytes decoded again,
and what was made of the readings. Both hold a bounded state; neither changes anything.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping
from enum import StrEnum
from typing import Any, Final, Protocol

from logger.audit.rederive_decode import Decoding
from logger.audit.rederive_judge import Judging
from logger.audit.rederive_lines import Drivers
from logger.audit.rederive_report import Differs, Rederivation, Report, titled
from logger.logbook.entries import Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.text import harmless

Progress = Callable[[int, int], None]
"""`progress(done, total)`, in entries."""

PROGRESS_EVERY: Final = 4_096
"""How often progress is told, entries."""


_DECODE: Final = json.JSONDecoder().raw_decode


class Part(StrEnum):
    """What can be derived by itself."""

    DECODE = "decode"
    JUDGE = "judge"


class Walker(Protocol):
    """Something that wants to see every entry, in order."""

    def take(self, entry: Entry, data: Mapping[str, Any]) -> None:
        """Take one entry in; `data` is its body, not to be changed."""

    def finish(self) -> None:
        """There are no more."""


class _Part:
    """One part's walk, which no entry can end: what cannot be taken in is a difference."""

    def __init__(self, walker: Walker, report: Report) -> None:
        self._walker = walker
        self._report = report

    def take(self, entry: Entry, data: Mapping[str, Any]) -> None:
        if entry.kind == Kind.OPENED:
            self._report.session(entry.number, str(data.get("version", "")))
        try:
            self._walker.take(entry, data)
        except Exception as error:  # a forged body may be anything; whatever it breaks, it is told where
            said = harmless(f"{type(error).__name__}: {error}", 120)
            self._report.differs(entry.number, Differs.UNREADABLE, f"{titled(entry)} cannot be taken in ({said}).")

    def finish(self) -> None:
        self._walker.finish()


class Rederiving:
    """Re-derivation as walkers, to be run beside others over one reading of the logbook."""

    def __init__(self, reader: LogbookReader, drivers: Drivers, parts: Collection[Part] = tuple(Part)) -> None:
        self._parts: list[_Part] = []
        self._reports: list[Report] = []
        for part in parts:
            report = Report()
            walker = Decoding(reader, drivers, report) if part is Part.DECODE else Judging(reader, report)
            self._reports.append(report)
            self._parts.append(_Part(walker, report))

    @property
    def walkers(self) -> list[Walker]:
        """What is to be walked."""
        return list(self._parts)

    def result(self) -> Rederivation:
        """What was found."""
        first, *others = (report.result() for report in self._reports)
        for other in others:
            first = first.and_also(other)
        return first


def walk(
    reader: LogbookReader, walkers: Collection[Walker], progress: Progress | None = None, *, raw: bool = True
) -> None:
    """Read every entry once and give it to each of `walkers`.

    Args:
        raw: whether raw bytes are wanted.

    Raises:
        LogbookDamaged: where entries cannot be read.
    """
    total = reader.size
    kinds = None if raw else [kind for kind in Kind if kind is not Kind.RAW]
    due = PROGRESS_EVERY
    takes = [walker.take for walker in walkers]
    for entry in reader.entries(kinds=kinds):
        data = _body(entry)
        for take in takes:
            take(entry, data)
        if progress and entry.number >= due:
            progress(entry.number, total)
            due = entry.number + PROGRESS_EVERY
    if progress:
        progress(total, total)
    for walker in walkers:
        walker.finish()


def _body(entry: Entry) -> Mapping[str, Any]:
    """An entry's body; as `Entry.data`, which is asked only where the quick way does not lead to the end."""
    try:
        data, end = _DECODE(entry.body)
    except (ValueError, RecursionError):
        return entry.data
    return data if end == len(entry.body) and isinstance(data, dict) else entry.data


def rederive(
    reader: LogbookReader, drivers: Drivers, progress: Progress | None = None, parts: Collection[Part] = tuple(Part)
) -> Rederivation:
    """Derive a whole logbook again.

    Args:
        reader: an open logbook.
        drivers: the drivers at hand.
        progress: told now and then.
        parts: what is derived; both, where not said.

    Raises:
        LogbookDamaged: where entries cannot be read.
    """
    again = Rederiving(reader, drivers, parts)
    with reader.snapshot():
        walk(reader, again.walkers, progress, raw=Part.DECODE in parts)
    return again.result()
