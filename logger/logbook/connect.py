"""Connections to a logbook's file, each with the promises its use needs. Only here: `sqlite3.connect`."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final
from urllib.parse import quote

BUSY_WAIT_MS: Final = 1000
"""How long SQLite waits for a foreign program that holds the file, milliseconds. We are the only writer of our own;
the screen has to show a slow disk within three seconds."""


def connect(uri: str) -> sqlite3.Connection:
    """A connection with no transactions of its own making. Whoever shares it between threads locks around it."""
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
    with _closed_where_it_fails(connection):
        connection.execute(f"PRAGMA busy_timeout = {BUSY_WAIT_MS}")
        connection.execute("PRAGMA mmap_size = 0")
    return connection


@contextmanager
def _closed_where_it_fails(connection: sqlite3.Connection) -> Iterator[None]:
    """A connection that cannot be made ready is closed at once: with it goes what SQLite made beside the file."""
    try:
        yield
    except BaseException:
        connection.close()
        raise


def for_creating(path: Path) -> sqlite3.Connection:
    """To build a new file: rollback journal, and every removal of that journal made durable (EXTRA).

    With write-ahead logging from the start, a power cut right after creation was seen to bring the first journal back
    and with it the empty file.
    """
    connection = connect(_uri(path, "mode=rw"))
    with _closed_where_it_fails(connection):
        _full_sync(connection)
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("PRAGMA synchronous = EXTRA")
    return connection


def for_writing(path: Path) -> sqlite3.Connection:
    """To append: write-ahead log, each commit synced before it returns (FULL)."""
    connection = connect(_uri(path, "mode=rw"))
    with _closed_where_it_fails(connection):
        _full_sync(connection)
        connection.execute("PRAGMA recursive_triggers = ON")
        mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        if mode != "wal":
            raise sqlite3.OperationalError(f"write-ahead logging is refused here (journal_mode {mode})")
        connection.execute("PRAGMA synchronous = FULL")
    return connection


def beside_writer(path: Path) -> sqlite3.Connection:
    """To read while somebody writes, through the log that the writer keeps."""
    return connect(_uri(path, "mode=ro"))


def alone(path: Path) -> sqlite3.Connection:
    """To read the file as it lies there, whatever lies beside it. Takes no lock and makes no file."""
    return connect(_uri(path, "mode=ro&immutable=1"))


def with_log(path: Path) -> sqlite3.Connection:
    """To read the file together with a log that a crash left, its index in memory. Takes no lock and makes no file."""
    system = "win32-none" if sys.platform == "win32" else "unix-none"
    connection = connect(_uri(path, f"mode=ro&vfs={system}"))
    with _closed_where_it_fails(connection):
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
    return connection


def _uri(path: Path, options: str) -> str:
    name = path.absolute().as_posix()
    return f"file:{'' if name.startswith('/') else '/'}{quote(name)}?{options}"


def _full_sync(connection: sqlite3.Connection) -> None:
    if sys.platform == "darwin":  # there a plain sync only reaches the drive's own cache
        connection.execute("PRAGMA fullfsync = ON")
        connection.execute("PRAGMA checkpoint_fullfsync = ON")
