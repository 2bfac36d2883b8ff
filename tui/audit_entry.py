"""One entry as an auditor opens it: what it says, where it leads, its bytes. Values only; no Textual."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

from logger.audit.pieces import Piece, pieces_of
from logger.audit.remark import Remark
from logger.audit.remarks_beside import look_beside
from logger.audit.trail import Link, trail
from logger.errors import LogbookDamaged
from logger.logbook.entries import Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.text import harmless
from tui.history import EVENT_OF
from tui.present import local_time, sentence
from tui.view import Line, Lines, Tone, Weight, Words, faint, plain, strong

Part = TypeVar("Part")

FIELDS_AT_MOST: Final = 200
VALUE_AT_MOST: Final = 600
NAME_COLUMNS: Final = 20

_LEFT_OUT: Final = frozenset({"data", "chunks", "note"})
"""Fields that stand elsewhere on the page, or are for machines."""


@dataclass(frozen=True, slots=True)
class OpenedEntry:
    """An entry laid open.

    Attributes:
        heading: which entry it is, and when.
        said: what it says, in a sentence.
        links: where one can go.
        fields: everything that it holds, a line each.
        pieces: its bytes; driver: of the line they came on.
        remarks: those on it that stand beside the logbook; those in it are among the links.
        trouble: why not all of it can be shown; empty where it can.
    """

    number: int
    heading: str
    said: Lines
    links: tuple[Link, ...]
    fields: Lines
    pieces: tuple[Piece, ...] = ()
    driver: str = ""
    remarks: tuple[Remark, ...] = ()
    trouble: str = ""


def open_entry(path: Path, number: int, utc_offset_min: int = 0) -> OpenedEntry:
    """Read an entry and what hangs on it. Blocks; changes no byte.

    Raises:
        InputWrong: if there is none of that number.
        LogbookUnusable, LogbookDamaged: as a reader does.
    """
    with LogbookReader.open(path) as reader, reader.snapshot():
        entry = reader.entry(number)
        heading = f"Entry {number}: {harmless(str(entry.kind), 24).replace('-', ' ')}"
        heading += f", {harmless(entry.at[:10], 10)} {time_of(entry, utc_offset_min)}"
        troubles: list[str] = []

        def as_far_as_it_goes(part: Callable[[], tuple[Part, ...]]) -> tuple[Part, ...]:
            try:
                return part()
            except LogbookDamaged as error:
                troubles.append(harmless(str(error), VALUE_AT_MOST))
                return ()

        said: Lines = (strong(entry_words(entry)),)
        fields = as_far_as_it_goes(lambda: tuple(_fields(entry.data)))
        links = as_far_as_it_goes(lambda: trail(reader, number))
        pieces = as_far_as_it_goes(lambda: pieces_of(reader, number))
        driver = _driver(reader, links)
        remarks = look_beside(reader, number).remarks
    return OpenedEntry(number, heading, said, links, fields, pieces, driver, remarks, " ".join(dict.fromkeys(troubles)))


def time_of(entry: Entry, utc_offset_min: int) -> str:
    """Local time of an entry; of one that has none, as it stands."""
    try:
        return local_time(entry.at, utc_offset_min)
    except (ValueError, OverflowError):
        return harmless(entry.at, 8)


def entry_words(entry: Entry) -> str:
    """An entry in one line, harmless; of one that no recorder writes, what can be said."""
    try:
        data = entry.data
    except LogbookDamaged:
        return f"({harmless(str(entry.kind), 24)}: it cannot be read)"
    event = EVENT_OF.get(entry.kind)
    try:
        if event is not None:
            return harmless(sentence(event, data).split("\n", 1)[0], VALUE_AT_MOST)
    except (KeyError, TypeError, ValueError, AttributeError):
        return f"({harmless(str(entry.kind), 24)}: not as a recorder writes it)"
    if entry.kind == Kind.RAW:
        count = len(str(data.get("data", ""))) * 3 // 4 - str(data.get("data", ""))[-2:].count("=")
        return f"{count} bytes as they came on {harmless(str(data.get('line', '')), 80)}"
    return _OTHERS.get(entry.kind, f"({harmless(str(entry.kind), 24)})")


_OTHERS: Final[Mapping[str, str]] = {
    Kind.JOB: "The job and its plan",
    Kind.RULES: "The rules in force, whole",
    Kind.OPERATOR: "Whose key signs from here on",
    Kind.OPENED: "Recording began",
    Kind.STOPPED: "Recording stopped",
    Kind.INSTRUMENT: "Who a meter said it is",
    Kind.CHECKPOINT: "Everything before this entry, signed",
    Kind.SEAL: "The seal: everything before it signed, nothing may follow",
    Kind.STORAGE_FAULT: "The disk had failed; what waited was written again",
}


def _driver(reader: LogbookReader, links: tuple[Link, ...]) -> str:
    """Name of the driver of the instrument that the entry belongs to; empty where nobody says."""
    instrument = next((link.entry for link in links if link.role == "its instrument"), None)
    if instrument is None:
        return ""
    return str(reader.entry(instrument).data.get("driver", "")).split(" ", 1)[0]


def _fields(data: Mapping[str, Any]) -> Iterator[Line]:
    for count, (name, value) in enumerate(data.items()):
        if count >= FIELDS_AT_MOST:
            yield faint("and more: `zerofirst show` has them whole")
            return
        if name not in _LEFT_OUT:
            shown = _NAMES.get(name) or harmless(name.replace("_", " "), NAME_COLUMNS - 1)
            said = _RELATIONS.get(str(value), "") if name == "relation" else ""
            yield (Words(f"{shown:<{NAME_COLUMNS}}", Weight.FAINT), Words(said or _value(value)))


_NAMES: Final[Mapping[str, str]] = {
    "n": "meter's number",
    "raw": "bytes in entries",
    "bytes": "bytes of the line",
    "mono_ns": "came at (ns)",
    "offset": "from byte",
    "meter_ms": "meter's time (ms)",
}
"""Fields whose own name says too little."""

_RELATIONS: Final[Mapping[str, str]] = {"eq": "as shown", "gt": "above it", "lt": "below it"}


def _value(value: object) -> str:
    """A value as a person reads it: `yes`, `none`, `a, b`, `point zero, voltage 500`."""
    if value is None or value in ("", [], {}):
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return harmless(", ".join(_value(each) for each in value), VALUE_AT_MOST)
    if isinstance(value, dict):
        return harmless(", ".join(f"{name} {_value(each)}" for name, each in value.items()), VALUE_AT_MOST)
    return harmless(str(value), VALUE_AT_MOST)


def remark_lines(opened: OpenedEntry) -> Lines:
    """The remarks that stand beside the logbook."""
    from tui.audit_words import remark_line

    return tuple(strong(remark_line(each), Tone.WARN) for each in opened.remarks)


def trouble_lines(opened: OpenedEntry) -> Lines:
    """What could not be shown, or nothing."""
    return (strong(opened.trouble, Tone.BAD), plain("")) if opened.trouble else ()
