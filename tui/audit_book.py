"""A logbook as the auditor's screen knows it: what it is called, how it stands, the words that find things in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.audit.sift import Wanted, sift
from logger.audit.sift_words import Vocabulary
from logger.errors import LogbookDamaged, ZerofirstError
from logger.job.plan import plan_from_body
from logger.logbook.entries import Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.text import harmless
from tui.audit_entry import entry_words, time_of
from tui.present import figure, on_function, test_words, volts

PAGE_ENTRIES: Final = 100
"""Entries on a page, a count: more than a screen holds, few enough to draw at once."""

FIGURE_COLUMNS: Final = 9
"""Columns for a figure with its unit."""

Told = Callable[["Found"], None]
"""Told now and then how far it has come."""


@dataclass(frozen=True, slots=True)
class AuditBook:
    """What is read of a logbook once, when its audit is opened."""

    path: Path
    title: str
    size: int
    ended: str
    vocabulary: Vocabulary
    utc_offset_min: int

    @property
    def heading(self) -> str:
        """`Audit of studio.db: Kiln shed rewire, 1137 entries, sealed`."""
        title = f": {harmless(self.title, 60)}" if self.title else ""
        return f"Audit of {harmless(self.path.name, 40)}{title}, {self.size} entries, {self.ended}"


@dataclass(frozen=True, slots=True)
class Found:
    """A page of what was found so far.

    Attributes:
        rows: number and words of each entry, newest first.
        down_to: everything from here up to where the page began was looked at.
        done: the page is full, or all was looked at.
    """

    rows: tuple[tuple[int, str], ...]
    down_to: int
    done: bool


def open_book(path: Path) -> AuditBook:
    """Read what the screen needs. Blocks; changes no byte.

    Raises:
        LogbookUnusable, LogbookDamaged: as a reader does.
    """
    with LogbookReader.open(path) as reader:
        job = reader.entry(1).data
        try:
            plan = plan_from_body(dict(job["plan"]))
        except (ZerofirstError, KeyError, TypeError, ValueError):
            plan = None  # an audit tells of it; entries can be looked at all the same
        serials = {str(each.data.get("serial")) for each in reader.entries(kinds=[Kind.INSTRUMENT])}
        ended = reader.last(Kind.SEAL, Kind.CLOSED)
        opened = reader.last(Kind.OPENED)
        offset = opened.data.get("utc_offset_min", 0) if opened else 0
        return AuditBook(
            path,
            str(job.get("title") or (plan.title if plan else "")),
            reader.size,
            "open" if ended is None else "sealed" if ended.kind == Kind.SEAL else "closed, not sealed",
            Vocabulary(plan, sorted(serials)),
            offset if isinstance(offset, int) else 0,
        )


def find(book: AuditBook, wanted: Wanted, below: int | None, told: Told, stopped: Callable[[], bool]) -> None:
    """Fill a page, telling of it while it fills; stops without a word where nobody wants it any more. Blocks.

    Raises:
        LogbookUnusable, LogbookDamaged: as a reader does.
    """
    rows: list[tuple[int, str]] = []
    down_to = below or book.size + 1
    with LogbookReader.open(book.path) as reader, reader.snapshot():
        for each in sift(reader, wanted, below, PAGE_ENTRIES):
            if stopped():
                return
            rows += [(entry.number, row_of(entry, book.utc_offset_min)) for entry in each.entries]
            down_to = each.down_to
            told(Found(tuple(rows), down_to, done=False))
    told(Found(tuple(rows), down_to, done=True))


def row_of(entry: Entry, utc_offset_min: int) -> str:
    """An entry as a line of a list."""
    return f"{entry.number:>7}  {time_of(entry, utc_offset_min)}  {_short(entry)}"


def _short(entry: Entry) -> str:
    """The figure first, then what it is of and what became of it: the beginning of a line is what is seen of it."""
    try:
        data = entry.data
        shown = f"{figure(data['value'], data['unit'], data['relation']):>{FIGURE_COLUMNS}}"
        if entry.kind == Kind.RESULT:
            item, test = harmless(str(data["item"]), 16), test_words(data["test"])
            return f"{shown}  {item} {test}{volts(data.get('voltage'))}: RESULT, {harmless(str(data['verdict']), 16)}"
        item = f"{harmless(str(data['item']), 16)} {test_words(data['test'])}" if data.get("item") else ""
        fate = "counts" if data["accepted"] else "turned away: " + ", ".join(map(_reason, data["reasons"]))
        if data.get("check"):
            fate = f"for the {harmless(str(data['check']), 16)} check"
        return f"{shown}  {item or on_function(data['function'], data['voltage'])}: {fate}"
    except (LogbookDamaged, KeyError, TypeError, ValueError, AttributeError):
        return entry_words(entry)


def _reason(reason: object) -> str:
    return harmless(str(reason), 24).replace("-", " ")
