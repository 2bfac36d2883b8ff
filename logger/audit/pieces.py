"""Raw bytes cut into pieces, each with the entry that was made of it: what a screen sets beside the hex."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from logger.audit.trail import LOOK_AHEAD_ENTRIES, NO_RECORDERS_BODY
from logger.audit.trail_words import reading_words
from logger.errors import LogbookDamaged
from logger.logbook.entries import Entry, Kind
from logger.logbook.reader import LogbookReader


@dataclass(frozen=True, slots=True)
class Piece:
    """Some bytes that belong together.

    Attributes:
        first: where they stand in the line's stream of that session, bytes.
        data: the bytes, as far as they lie in what was asked for.
        entry: the reading or damaged frame that was made of them; None where none was, as of what a meter tells of
            itself.
        words: what that entry says; a stranger's text.
        whole: False where it began before, or goes on behind, what was asked for.
    """

    first: int
    data: bytes
    entry: int | None = None
    words: str = ""
    whole: bool = True


def pieces_of(reader: LogbookReader, number: int) -> tuple[Piece, ...]:
    """The bytes of a raw entry, cut; of a reading or a damaged frame, its own. None for any other entry.

    Raises:
        InputWrong: if there is no such entry.
        LogbookDamaged: where entries cannot be read, or do not say where bytes stand.
    """
    entry = reader.entry(number)
    try:
        if entry.kind == Kind.RAW:
            return tuple(_cut(entry.data, list(_made_of(reader, entry))))
        if entry.kind in (Kind.READING, Kind.DAMAGED) and entry.data.get("raw"):
            return (_own(reader, entry),)
    except NO_RECORDERS_BODY as error:
        raise LogbookDamaged(
            f"Entry {number} does not say where its bytes stand ({type(error).__name__}: {error})",
            "see what `zerofirst audit` says of it",
            entry=number,
        ) from error
    return ()


def _words(entry: Entry) -> str:
    data = entry.data
    return reading_words(data) if entry.kind == Kind.READING else f"damaged: {data['why']}"


def _made_of(reader: LogbookReader, raw: Entry) -> Iterator[tuple[int, int, Entry]]:
    """What was decoded from a raw entry: first and last byte (exclusive), and the entry."""
    whose = raw.data["serial"]
    last = raw.number + LOOK_AHEAD_ENTRIES
    for entry in reader.entries(raw.number + 1, last, kinds=[Kind.READING, Kind.DAMAGED]):
        body = entry.data
        source = body.get("raw")
        if source and source[0] <= raw.number <= source[-1] and whose in (body["serial"], None):
            yield body["bytes"][0], body["bytes"][1], entry


def _cut(body: Mapping[str, Any], made: list[tuple[int, int, Entry]]) -> Iterator[Piece]:
    data, start = base64.b64decode(body["data"]), int(body["offset"])
    end = at = start
    end += len(data)
    for first, last, entry in sorted(made, key=lambda each: each[:2]):
        low, high = max(first, at), min(last, end)
        if low >= high:
            continue
        yield from _rest(at, data[at - start : low - start])
        yield Piece(low, data[low - start : high - start], entry.number, _words(entry), (low, high) == (first, last))
        at = high
    yield from _rest(at, data[at - start :])


def _rest(first: int, data: bytes) -> Iterator[Piece]:
    """Bytes that no reading was made of, a line of them each."""
    for line in data.splitlines(keepends=True) if data else ():
        yield Piece(first, line)
        first += len(line)


def _own(reader: LogbookReader, entry: Entry) -> Piece:
    body = entry.data
    first, last = body["bytes"]
    source = [raw.data for raw in reader.entries(body["raw"][0], body["raw"][-1], kinds=[Kind.RAW])]
    line = source[-1]["line"]
    data = bytearray()
    for raw in source:
        if raw["line"] == line:
            chunk, start = base64.b64decode(raw["data"]), int(raw["offset"])
            data += chunk[max(0, first - start) : max(0, last - start)]
    return Piece(first, bytes(data), entry.number, _words(entry), len(data) == last - first)
