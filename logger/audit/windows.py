"""Entries read a tile at a time, each compared with its own hash. What cannot be read is placed narrowly."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from struct import Struct
from typing import Any, Final

from logger.audit.report import Faults, Wrong
from logger.logbook.entries import BULK_KINDS, LEAF_BYTES, leaf_of_bytes
from logger.logbook.faults import DATABASE_ERRORS
from logger.logbook.schema import NOT_BULK
from logger.logbook.tiles import TILE_LEAVES

Row = tuple[int, bytes, bytes, bytes, bytes]
"""Number, at, kind, body (UTF-8 as stored), leaf."""

Ints = tuple[int, ...]
Texts = tuple[bytes, ...]
"""A column of a tile's rows."""

UNKNOWN_LEAF: Final = bytes(LEAF_BYTES)
"""Stands for the leaf of an entry that is gone, so that what follows keeps its place in the tree."""

_AS_BYTES: Final = "number, CAST(at AS BLOB), CAST(kind AS BLOB), CAST(body AS BLOB), leaf"
_WINDOW: Final = f"SELECT {_AS_BYTES} FROM entries WHERE number >= ? AND number <= ? ORDER BY number"
_ONE: Final = f"SELECT {_AS_BYTES} FROM entries WHERE number = ?"
_TYPED: Final = "typeof(at) = 'text' AND typeof(kind) = 'text' AND typeof(body) = 'text' AND typeof(leaf) = 'blob'"
_NAMED: Final = (
    f"SELECT number, CAST(kind AS BLOB) FROM entries INDEXED BY milestones "
    f"WHERE {NOT_BULK} AND number >= ? AND number <= ? ORDER BY number"
)

_BULK: Final = frozenset(str(kind).encode() for kind in BULK_KINDS)

TIME_BYTES: Final = len("2027-03-01T09:00:00.000000Z")
"""RFC 3339 with microseconds, as a writer stores it."""


@dataclass(slots=True)
class Window:
    """Entries `first` to `last`, at most a tile.

    Attributes:
        rows: those that could be read, in order.
        leaves: the stored leaf of each number; `UNKNOWN_LEAF` where there is none.
        whole: every entry is there and agrees with its leaf.
        notable: the rows that are neither reading nor raw bytes nor damaged frame.
    """

    first: int
    last: int
    rows: list[Row]
    leaves: list[bytes]
    whole: bool
    notable: list[Row] = field(init=False)

    def __post_init__(self) -> None:
        self.notable = [row for row in self.rows if row[2] not in _BULK]


class Windows:
    """Goes through a logbook tile by tile."""

    def __init__(self, connection: sqlite3.Connection, faults: Faults) -> None:
        self._connection = connection
        self._faults = faults
        self.kinds: Counter[bytes] = Counter()
        self._packers: dict[bytes, Callable[..., bytes]] = {}

    def __iter__(self) -> Iterator[Window]:
        """Every tile in order; where whole tiles are missing, the next window begins after them."""
        size = self._number("SELECT max(number) FROM entries")
        lowest = self._number("SELECT min(number) FROM entries")
        if lowest < 1 and size:
            self._faults.add(Wrong.MISSING, "Entries stand below number 1, where none can be.", lowest, min(size, 0))
        first = 1
        while first <= size:
            last = min(first + TILE_LEAVES - 1, size)
            window = self._read(first, last)
            if not window.rows:
                following = self._number("SELECT min(number) FROM entries WHERE number > ?", last)
                if following > last:
                    last = (following - 1) // TILE_LEAVES * TILE_LEAVES
                window = Window(first, last, [], [], whole=False)
                self._faults.add(Wrong.MISSING, "Missing: {span}.", first, last)
            yield window
            first = last + 1

    def _number(self, query: str, *values: int) -> int:
        try:
            found = self._connection.execute(query, values).fetchone()[0]
        except DATABASE_ERRORS:
            return 0
        return found if isinstance(found, int) else 0

    def _read(self, first: int, last: int) -> Window:
        try:
            rows: list[Row] = self._connection.execute(_WINDOW, (first, last)).fetchall()
            if len(rows) == last - first + 1 and rows[0][0] == first and rows[-1][0] == last:
                numbers, times, kinds, bodies, stored = zip(*rows, strict=True)
                if self._hash(numbers, times, kinds, bodies) == list(stored):
                    self.kinds.update(kinds)
                    return Window(first, last, rows, list(stored), whole=True)
        except (sqlite3.Error, TypeError, ValueError):
            pass  # looked at one by one below, where each is told
        return self._read_closely(first, last)

    def _hash(self, numbers: Ints, times: Texts, kinds: Texts, bodies: Texts) -> list[bytes]:
        """Every entry's leaf. Most times are of one length, so what stands before a body is packed in one go."""
        if set(map(len, times)) != {TIME_BYTES}:
            return list(map(leaf_of_bytes, numbers, times, kinds, bodies))
        packers = self._packers
        for kind in set(kinds) - packers.keys():
            packers[kind] = Struct(f">BQI{TIME_BYTES}sI{len(kind)}sI").pack
        return [
            sha256(packers[kind](0, number, TIME_BYTES, at, len(kind), kind, len(body)) + body).digest()
            for number, at, kind, body in zip(numbers, times, kinds, bodies, strict=True)
        ]

    def _read_closely(self, first: int, last: int) -> Window:
        rows: list[Row] = []
        leaves: list[bytes] = []
        for number in range(first, last + 1):
            row = self._read_one(number)
            leaves.append(UNKNOWN_LEAF)
            if row is not None:
                rows.append(row)
                leaves[-1] = row[4]
        self.kinds.update([row[2] for row in rows])
        return Window(first, last, rows, leaves, whole=False)

    def _read_one(self, number: int) -> Row | None:
        """The entry if it can be hashed, whether or not the hash is right."""
        try:
            row: Any = self._connection.execute(_ONE, (number,)).fetchone()
            typed = (
                row and self._connection.execute(f"SELECT {_TYPED} FROM entries WHERE number = ?", (number,)).fetchone()
            )
        except DATABASE_ERRORS:
            self._faults.add(Wrong.UNREADABLE, "Unreadable: {span}. That part of the file is damaged.", number)
            return None
        if row is None:
            self._faults.add(Wrong.MISSING, "Missing: {span}.", number)
            return None
        if typed != (1,) or len(row[4]) != LEAF_BYTES:
            self._faults.add(Wrong.TYPE, "Values of the wrong type: {span}.", number)
            return None
        if leaf_of_bytes(row[0], row[1], row[2], row[3]) != row[4]:
            self._faults.add(
                Wrong.LEAF, "Changed: {span}. The text does not give the hash that was stored with it.", number
            )
        return (row[0], row[1], row[2], row[3], row[4])

    def check_index(self, window: Window) -> None:
        """Whether the index over everything but readings and raw bytes finds what the entries themselves say."""
        named = [(row[0], row[2]) for row in window.notable]
        try:
            found = self._connection.execute(_NAMED, (window.first, window.last)).fetchall()
        except DATABASE_ERRORS:
            found = None
        if found != named:
            self._faults.add(
                Wrong.SCHEMA, "The index over {span} does not agree with the entries.", window.first, window.last
            )


def head_by_prefix(leaves: list[bytes]) -> list[list[bytes]]:
    """Every whole subtree over a tile's leaves, level by level: `levels[b][i]` is over leaves i·2ᵇ … (i+1)·2ᵇ-1."""
    levels = [leaves]
    while len(leaves) > 1:
        pairs = iter(leaves)
        leaves = [sha256(b"\x01" + left + right).digest() for left, right in zip(pairs, pairs, strict=False)]
        levels.append(leaves)
    return levels


def peaks_of_prefix(levels: list[list[bytes]], count: int) -> list[bytes]:
    """Heads of the full subtrees of the first `count` leaves, largest first."""
    return [levels[bit][(count >> bit) - 1] for bit in range(count.bit_length() - 1, -1, -1) if count >> bit & 1]
