"""How a logbook comes to be: none or complete, never half, whenever the power goes.

It is built under another name in the same folder, in rollback mode, made durable, and only then given its name.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path

from logger.clock import Clock, rfc3339
from logger.errors import LogbookUnusable, StorageFailed
from logger.logbook import connect, files, schema
from logger.logbook.entries import Kind, body_text
from logger.logbook.faults import storage_failed
from logger.logbook.tail import Batch, Tail, write_batch

LEFT_BESIDE = ("-wal", "-journal", "-shm")
"""What SQLite keeps beside a file while it is open, or leaves when a process dies."""


def build(path: Path, first: Sequence[tuple[Kind, Mapping[str, object]]], clock: Clock) -> None:
    """Make the logbook file with its first entries (at least one). The caller holds the writer's lock of `path`.

    Raises:
        LogbookUnusable: if there is something of that name, or the folder does not take a file.
        StorageFailed: if the disk failed or is full; nothing is left behind.
    """
    if not first:
        raise ValueError("a logbook begins with at least one entry: its id follows from it")
    refuse_existing(path)
    tail, at = Tail(), rfc3339(clock.utc())
    for kind, body in first:
        tail.append(at, kind.value, body_text(body))
    draft = draft_of(path)
    clear(draft)
    try:
        files.create_private(draft)
        _fill(draft, tail.take())
        files.sync_file(draft)
        _announce(draft, path)
    except FileExistsError as error:
        raise exists_already(path) from error
    except sqlite3.Error as error:
        raise storage_failed(path, error) from error
    except OSError as error:
        raise StorageFailed(f"{path} could not be made ({error.strerror or error})", "check the disk") from error
    finally:
        clear(draft)


def _announce(draft: Path, path: Path) -> None:
    files.publish(draft, path)
    try:
        files.sync_folder(path.parent)
    except OSError:
        withdraw(path)
        raise


def withdraw(path: Path) -> None:
    """Take back a logbook that was just made and told to nobody."""
    clear(path)


def _fill(draft: Path, first: Batch) -> None:
    connection = connect.for_creating(draft)
    try:
        schema.migrate(connection)
        write_batch(connection, first)
        connection.execute("PRAGMA journal_mode = WAL").fetchone()
    finally:
        connection.close()


def refuse_existing(path: Path) -> None:
    """Raise LogbookUnusable if the name is taken, or if a log of another file lies where this one's would."""
    if path.exists() or path.is_symlink():
        raise exists_already(path)
    if not path.parent.is_dir():
        raise LogbookUnusable(f"There is no folder {path.parent}", "make it first")
    for ending in LEFT_BESIDE:
        leftover = files.beside(path, ending)
        if leftover.exists():
            raise LogbookUnusable(
                f"{leftover} was left by another logbook of this name and would be taken for part of the new one",
                "move it away together with that logbook",
            )


def finish(path: Path) -> None:
    """Tidy up after a power cut between a logbook's two names, and refuse one that has a second name elsewhere.

    Raises:
        LogbookUnusable: for a second name: opened under each, the file would have two write-ahead logs.
    """
    draft = draft_of(path)
    if draft.exists() and draft.samefile(path):
        files.remove(draft)
        files.sync_folder(path.parent)
    if path.stat().st_nlink > 1:
        raise LogbookUnusable(
            f"{path} has a second name (a hard link), under which it could be written too",
            "copy it, and work on the copy",
        )


def exists_already(path: Path) -> LogbookUnusable:
    """The error for a name that is taken."""
    return LogbookUnusable(f"{path} exists already", "open it, or give the new logbook another name")


def draft_of(path: Path) -> Path:
    """The name under which a logbook is built."""
    return path.with_name(f".{path.name}.new")


def clear(draft: Path) -> None:
    """Remove a draft that was left, and what SQLite kept beside it."""
    for each in (draft, *(files.beside(draft, ending) for ending in LEFT_BESIDE)):
        try:
            files.remove(each)
        except OSError:
            continue  # it is in nobody's way; making the new one will say what is wrong, if anything is
