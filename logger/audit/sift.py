"""Readings and results that fit what an auditor wants to see, newest first, out of logbooks of any size.

SQL looks through the entries a slice at a time and stops when a page is full, so that memory stays flat and whoever
waits can be shown how far it has come, or change their mind.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from logger.errors import LogbookDamaged
from logger.logbook.entries import BULK_KINDS, KNOWN_KINDS, Entry, Kind
from logger.logbook.faults import DATABASE_ERRORS, reading_failed
from logger.logbook.reader import LogbookReader
from logger.logbook.schema import NOT_BULK
from logger.state import JobState

SLICE_ENTRIES: Final = 20_000
"""How many numbers are looked through at a time: some tens of milliseconds."""

NUMBERS_AT_MOST: Final = 500
"""How many entries are named in one query, where they are known by number."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is wanted. Of one field any value will do; all fields that say something must fit.

    Attributes:
        kinds: `reading`, `result`, `damaged`, or several of them.
        accepted: whether the readings count; None where both are wanted. Results are left out where it says something.
        reasons: readings turned away for one of these.
        verdicts: results with one of these.
        in_doubt: results that a failed check, or a lapse told late, put in doubt, and the readings they rest on.
        first, last: span of entries; None: to the end.
    """

    kinds: frozenset[str] = frozenset({"reading", "result"})
    items: frozenset[str] = frozenset()
    tests: frozenset[str] = frozenset()
    functions: frozenset[str] = frozenset()
    serials: frozenset[str] = frozenset()
    accepted: bool | None = None
    reasons: frozenset[str] = frozenset()
    verdicts: frozenset[str] = frozenset()
    in_doubt: bool = False
    first: int = 1
    last: int | None = None

    @property
    def possible_kinds(self) -> frozenset[str]:
        """Those of `kinds` that can fit: no result is turned away, no reading has a verdict. May be none."""
        kinds = self.kinds
        if self.accepted is not None or self.reasons or self.functions:
            kinds &= {"reading"}
        if self.verdicts:
            kinds &= {"result"}
        return kinds


@dataclass(frozen=True, slots=True)
class Slice:
    """What one look brought.

    Attributes:
        entries: those that fit, newest first.
        down_to: all from here on were looked at; 1, or the first wanted, at the end.
    """

    entries: tuple[Entry, ...]
    down_to: int


def sift(reader: LogbookReader, wanted: Wanted, below: int | None = None, at_most: int = 100) -> Iterator[Slice]:
    """Look from `below` (exclusive; None: from the end) downwards until `at_most` entries are found, or all was looked
    at. The last slice may end where the page is full: its oldest entry is then `down_to`.

    Raises:
        LogbookDamaged: where entries cannot be read.
    """
    top = reader.size if wanted.last is None else min(wanted.last, reader.size)
    if below is not None:
        top = min(top, below - 1)
    doubted = sorted(in_doubt(reader), reverse=True) if wanted.in_doubt else None
    condition, values = _condition(wanted)
    source = "entries"
    if doubted is None and not wanted.possible_kinds & set(BULK_KINDS):
        source, condition = "entries INDEXED BY milestones", f"{NOT_BULK} AND {condition}"
    while top >= wanted.first and at_most > 0 and wanted.possible_kinds:
        bottom = max(wanted.first, top - SLICE_ENTRIES + 1)
        among, names = "", tuple[int, ...]()
        if doubted is not None:
            own = [number for number in doubted if number <= top][:NUMBERS_AT_MOST]
            bottom = own[-1] if len(own) == NUMBERS_AT_MOST else wanted.first
            among, names = f" AND number IN ({_marks(len(own))})", tuple(own)
        query = (
            f"SELECT number, at, kind, body, leaf FROM {source} "
            f"WHERE number BETWEEN ? AND ? AND {condition}{among} ORDER BY number DESC LIMIT ?"
        )
        found = tuple(_rows(reader, query, (bottom, top, *values, *names, at_most)))
        at_most -= len(found)
        down_to = bottom if at_most else found[-1].number
        yield Slice(found, down_to)
        top = down_to - 1


def in_doubt(reader: LogbookReader) -> frozenset[int]:
    """Entries of the results that are in doubt as the log stands, and of the readings that they rest on.

    Raises:
        LogbookDamaged: where entries cannot be read, or say what no recorder writes.
    """
    job = JobState()
    for entry in reader.entries(kinds=JobState.KINDS):
        try:
            job.apply(entry.number, entry.at, entry.kind, entry.data, entry.number)
        except LogbookDamaged:
            raise
        except Exception as error:  # a forged body may be anything
            raise LogbookDamaged(
                f"Entry {entry.number} of {reader.path} is not as a recorder writes it ({type(error).__name__})",
                "run `zerofirst audit` on it",
                entry=entry.number,
            ) from error
    doubted = [result for result in job.results if result.in_doubt is not None]
    readings = [result.body.get("reading") for result in doubted]
    return frozenset([*(result.entry for result in doubted), *(each for each in readings if isinstance(each, int))])


_HAS_REASON: Final = "instr(json_extract(body, '$.reasons'), ?) > 0"
_FIELDS: Final = (("item", "items"), ("test", "tests"), ("serial", "serials"))


def _condition(wanted: Wanted) -> tuple[str, tuple[Any, ...]]:
    kinds = sorted(wanted.possible_kinds)
    parts, values = [f"kind IN ({_marks(len(kinds))})"], [*kinds]
    inner: list[str] = []
    for field, name in (*_FIELDS, ("function", "functions"), ("verdict", "verdicts")):
        chosen = sorted(getattr(wanted, name))
        if chosen:
            inner.append(f"json_extract(body, '$.{field}') IN ({_marks(len(chosen))})")
            values.extend(chosen)
    if wanted.accepted is not None:
        inner.append(f"json_extract(body, '$.accepted') IS {int(wanted.accepted)}")
    if wanted.reasons:
        chosen = sorted(wanted.reasons)
        # as JSON text: no other element holds a word between bare quotes, and no subquery a reading is needed
        inner.append(f"({' OR '.join([_HAS_REASON] * len(chosen))})")
        values.extend(json.dumps(each) for each in chosen)
    if inner:  # a body that is no JSON fits nothing, and stops nothing
        parts.append(f"CASE WHEN json_valid(body) THEN {' AND '.join(inner)} ELSE 0 END")
    return " AND ".join(parts), tuple(values)


def _marks(count: int) -> str:
    return ", ".join("?" * count)


def _rows(reader: LogbookReader, query: str, values: tuple[Any, ...]) -> Iterator[Entry]:
    try:
        for number, at, kind, body, leaf in reader.connection.execute(query, values):
            yield Entry(int(number), str(at), KNOWN_KINDS.get(kind, Kind.READING), str(body), leaf)
    except DATABASE_ERRORS as error:
        raise reading_failed(reader.path, error) from error
