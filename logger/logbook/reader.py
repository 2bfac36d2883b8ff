"""The one way out of a logbook: entries in order, one, the newest of a kind. Changes no byte, leaves no file behind."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from logger.errors import InputWrong, LogbookDamaged
from logger.logbook import connect, handles, leftover
from logger.logbook.entries import BULK_KINDS, KNOWN_KINDS, Entry
from logger.logbook.examine import AUDIT, examine
from logger.logbook.faults import DATABASE_ERRORS, reading_failed
from logger.logbook.lock import is_held
from logger.logbook.schema import NOT_BULK

ID_DIGITS: Final = 32
"""Hex digits of a logbook's id: the first half of the leaf of entry 1."""

_COLUMNS: Final = "number, at, kind, body, leaf"


class LogbookReader:
    """A logbook open for reading. Use as a context manager, or call `close`."""

    def __init__(self, path: Path, connection: sqlite3.Connection, beside_writer: bool = True) -> None:
        """Use `open`. `beside_writer`: SQLite itself keeps reading and writing apart on this connection."""
        self.path = path
        self.connection = connection
        self.beside_writer = beside_writer
        self._stamp = _stamp(path)

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open for reading.

        Raises:
            LogbookUnusable: no logbook there.
            LogbookDamaged: what is or was a logbook and cannot be read at all.
        """
        path = Path(path)
        examine(path)
        try:
            reader = cls(path, *connection_for(path))
        except DATABASE_ERRORS as error:
            raise reading_failed(path, error) from error
        try:
            reader._look()
        except BaseException:
            reader.close()
            raise
        return reader

    def _look(self) -> None:
        try:
            kind = self._kind_of_entries()
        except DATABASE_ERRORS:
            # Tolerates a schema of which a part cannot be read; `entries` may still be whole. This connection cannot
            # write.
            self._one("PRAGMA writable_schema = ON")
            kind = self._one("SELECT type FROM sqlite_schema WHERE name = 'entries'")
        if kind != ("table",):
            raise LogbookDamaged(f"{self.path} is a logbook whose table of entries is gone", AUDIT)
        self._one(f"SELECT {_COLUMNS} FROM entries LIMIT 1")

    def _kind_of_entries(self) -> Any:
        return self.connection.execute("SELECT type FROM sqlite_schema WHERE name = 'entries'").fetchone()

    def close(self) -> None:
        """Let go of the file. Harmless when called again."""
        if self.beside_writer:
            self.connection.close()
        else:
            handles.close_harmlessly(self._stamp[0], self.connection.close)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def id(self) -> str:
        """The logbook's id, 32 hex digits: it follows from entry 1, so it cannot be given to another log."""
        return logbook_id(self.entry(1).leaf)

    @property
    def size(self) -> int:
        """Number of the newest entry; 0 if there is none."""
        row = self._one("SELECT max(number) FROM entries")
        return int(row[0] or 0)

    def entry(self, number: int) -> Entry:
        """One entry.

        Raises:
            InputWrong: if there is none of that number.
            LogbookDamaged: if it cannot be read.
        """
        in_range = 0 < number < 1 << 63
        row = self._one(f"SELECT {_COLUMNS} FROM entries WHERE number = ?", (number,)) if in_range else None
        if row is None:
            raise InputWrong(f"There is no entry {number} in {self.path}", f"the newest is {self.size}")
        return _entry(row)

    def entries(self, first: int = 1, last: int | None = None, kinds: Collection[str] | None = None) -> Iterator[Entry]:
        """Entries `first` to `last` (inclusive; None: to the end) in order, of all kinds or of `kinds`.

        Without readings, raw bytes and damaged frames among `kinds`, only entries of other kinds are touched.

        Raises:
            LogbookDamaged: where reading fails, with the entry.
        """
        if kinds is not None and not kinds:
            return
        query, values = _selection(first, last, kinds)
        number = first - 1
        try:
            for row in self.connection.execute(query, values):
                entry = _entry(row)
                number = entry.number
                yield entry
        except DATABASE_ERRORS as error:
            raise reading_failed(self.path, error, after=number) from error

    def last(self, *kinds: str) -> Entry | None:
        """The newest entry of these kinds (of any, without), or None."""
        query, values = _selection(1, None, kinds or None)
        row = self._one(query.replace("ORDER BY number", "ORDER BY number DESC LIMIT 1"), values)
        return None if row is None else _entry(row)

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Inside, the logbook is seen as it was at the start, however much is appended meanwhile."""
        is_outer = not self.connection.in_transaction  # inside another snapshot, that one's start counts
        if is_outer:
            self._one("BEGIN")
            self._one("SELECT max(number) FROM entries")  # SQLite takes the snapshot at the first read
        try:
            yield
        finally:
            if is_outer:
                self._one("ROLLBACK")

    @property
    def disturbed(self) -> bool:
        """Whether the file changed under a reader who took it as it lay: then what was read must be read again."""
        return not self.beside_writer and _stamp(self.path) != self._stamp

    def _one(self, query: str, values: tuple[Any, ...] = ()) -> Any:
        try:
            return self.connection.execute(query, values).fetchone()
        except DATABASE_ERRORS as error:
            raise reading_failed(self.path, error) from error


def connection_for(path: Path) -> tuple[sqlite3.Connection, bool]:
    """A connection that changes no byte and leaves no file behind; and whether it reads beside a writer.

    Raises:
        LogbookDamaged: if a log of another logbook lies beside the file.
        sqlite3.Error: as SQLite says.
    """
    if is_held(path):
        return connect.beside_writer(path), True
    leftover.refuse_foreign_log(path)
    return (connect.with_log if leftover.has_log(path) else connect.alone)(path), False


def logbook_id(first_leaf: bytes) -> str:
    """The id that follows from the leaf of entry 1."""
    return first_leaf.hex()[:ID_DIGITS]


def _selection(first: int, last: int | None, kinds: Collection[str] | None) -> tuple[str, tuple[Any, ...]]:
    where, values, source = ["number >= ?"], [first], "entries"
    if last is not None:
        where.append("number <= ?")
        values.append(last)
    if kinds is not None:
        names = [str(kind) for kind in kinds]
        where.append(f"kind IN ({', '.join('?' * len(names))})")
        values.extend(names)  # type: ignore[arg-type]
        if not set(names) & set(BULK_KINDS):
            source = "entries INDEXED BY milestones"
            where.append(NOT_BULK)
    return f"SELECT {_COLUMNS} FROM {source} WHERE {' AND '.join(where)} ORDER BY number", tuple(values)


def _entry(row: tuple[Any, ...]) -> Entry:
    number, at, kind, body, leaf = row
    if not (isinstance(at, str) and isinstance(kind, str) and isinstance(body, str) and isinstance(leaf, bytes)):
        raise LogbookDamaged(
            f"Entry {number} holds values of the wrong type", "run `zerofirst audit` on the logbook", entry=number
        )
    return Entry(number, at, KNOWN_KINDS.get(kind, kind), body, leaf)


def _stamp(path: Path) -> tuple[handles.Identity, int, int]:
    status = path.stat()
    return (status.st_dev, status.st_ino), status.st_size, status.st_mtime_ns
