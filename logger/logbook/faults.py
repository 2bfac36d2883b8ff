"""SQLite's errors in the project's words."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Final

from logger.errors import LogbookDamaged, LogbookUnusable, StorageFailed, ZerofirstError

DATABASE_ERRORS: Final = (sqlite3.Error, UnicodeDecodeError)
"""What reading a damaged file raises: SQLite's own errors, and Python's where the text of one is damaged as well."""

_STORAGE: Final = {
    "SQLITE_FULL": ("the disk is full", "make room; what came meanwhile waits in memory"),
    "SQLITE_BUSY": ("another program holds the file", "close it there; what came meanwhile waits in memory"),
    "SQLITE_LOCKED": ("another program holds the file", "close it there; what came meanwhile waits in memory"),
    "SQLITE_READONLY": ("the file cannot be written to", "check its permissions and whether the disk is read-only"),
    "SQLITE_IOERR": ("the disk failed", "check the disk; what came meanwhile waits in memory"),
    "SQLITE_CANTOPEN": ("the file cannot be opened", "check the folder and its permissions"),
}


def storage_failed(path: Path, error: Exception) -> StorageFailed:
    """What to tell when entries could not be written."""
    what, remedy = why_not_written(error)
    return StorageFailed(f"{path} could not be written: {what}", remedy)


def why_not_written(error: BaseException | None) -> tuple[str, str]:
    """What was wrong, and what to do about it."""
    name = error_name(error)
    for start, words in _STORAGE.items():
        if name.startswith(start):
            return words
    why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return why, "what came meanwhile waits in memory"


def opening_failed(path: Path, error: Exception) -> ZerofirstError:
    """What to tell when a logbook could not be opened for writing."""
    if error_name(error).startswith(("SQLITE_IOERR", "SQLITE_FULL", "SQLITE_READONLY", "SQLITE_PERM")):
        return storage_failed(path, error)
    return reading_failed(path, error)


def reading_failed(path: Path, error: Exception, after: int | None = None) -> ZerofirstError:
    """What to tell when a logbook could not be read; `after` is the last entry that could."""
    name = error_name(error)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return LogbookUnusable(f"{path} is held by another program", "close it there and try again")
    if name.startswith("SQLITE_CANTOPEN"):
        return LogbookUnusable(f"{path} cannot be opened", "check the file, its folder and who may read them")
    where = f" after entry {after}" if after else ""
    return LogbookDamaged(
        f"{path} is damaged{where} ({error})",
        "keep it as it is, and look for a copy; `zerofirst audit` says what can still be read",
        entry=None if after is None else after + 1,
    )


def error_name(error: BaseException | None) -> str:
    """SQLite's own name of an error, such as `SQLITE_IOERR_FSYNC`; empty where it has none."""
    return str(getattr(error, "sqlite_errorname", "") or "")
