"""After the disk failed: the file opened anew, and what it holds compared with what should be there."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path

from logger.errors import LogbookDamaged
from logger.logbook import connect, files
from logger.logbook.tail import Row


def reopen(path: Path, connection: sqlite3.Connection) -> sqlite3.Connection:
    """A fresh connection, after the log's own bytes were written again (see `files.write_again`).

    Raises:
        OSError, sqlite3.Error: if the disk still fails.
    """
    shut(connection)
    wal = files.beside(path, "-wal")
    if wal.exists() and wal.stat().st_size:
        files.write_again(wal)
    return connect.for_writing(path)


def compare(path: Path, connection: sqlite3.Connection, confirmed: int, on_disk: int, waiting: Sequence[Row]) -> None:
    """Check that the disk holds all that was confirmed, and beyond it nothing but entries that wait.

    Raises:
        LogbookDamaged: if it does not: nothing may be added then.
    """
    if on_disk < confirmed:
        raise LogbookDamaged(
            f"{path} ends at entry {on_disk}, though entry {confirmed} was confirmed",
            "keep the file and what lies beside it, and look to the disk",
            entry=on_disk + 1,
        )
    leaves = {row[0]: row[4] for row in waiting}
    for number, leaf in connection.execute("SELECT number, leaf FROM entries WHERE number > ?", (confirmed,)):
        if leaves.get(number) != leaf:
            raise LogbookDamaged(
                f"Entry {number} of {path} was written by another program",
                "stop that program, and keep the file",
                entry=number,
            )


def fault_body(why: str, confirmed: int, found: int, last: int) -> dict[str, object]:
    """The `storage-fault` entry: what was confirmed, what was found on disk, and what (if anything) is written anew."""
    body: dict[str, object] = {"why": why, "confirmed": confirmed, "found": found}
    return body | ({"first": found + 1, "last": last} if last > found else {})


def fold(connection: sqlite3.Connection) -> None:
    """Fold the write-ahead log into the file. What cannot be folded stays in the log, as durable there."""
    try:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    except sqlite3.Error:
        pass


def shut(connection: sqlite3.Connection) -> None:
    """Close, whatever state the connection is in."""
    try:
        connection.close()
    except sqlite3.Error:
        pass  # what it could not finish is judged by whoever opens the file next
