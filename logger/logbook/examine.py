"""What a file is before it is opened as a logbook: one, one that is damaged, or something else."""

from __future__ import annotations

import stat
from pathlib import Path
from typing import Final

from logger.errors import LogbookDamaged, LogbookUnusable
from logger.logbook import handles
from logger.logbook.files import beside
from logger.logbook.schema import APPLICATION_ID

SQLITE_MAGIC: Final = b"SQLite format 3\x00"
APPLICATION_ID_AT: Final = slice(68, 72)
"""Where SQLite keeps the application id, bytes from the start of the file."""

TRACE: Final = b"zerofirst: "
"""Stands in the guards' own text, in the first pages of every logbook."""

TRACE_BYTES_AT_MOST: Final = 256 * 1024
"""How much of a file is searched for that trace: the schema lies in its first pages."""

AUDIT: Final = "keep it as it is, and look for a copy; `zerofirst audit` says what can still be read"


def examine(path: Path) -> None:
    """Return if the file looks like a logbook from outside.

    Raises:
        LogbookUnusable: nothing there, or something that shows no trace of ever having been a logbook.
        LogbookDamaged: a logbook, or what is left of one, that SQLite cannot open.
    """
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise LogbookUnusable(f"{path} is a folder, not a logbook", "name the file")
        if not stat.S_ISREG(status.st_mode):
            raise LogbookUnusable(f"{path} is not a file", "name a logbook")
        if handles.is_written_here((status.st_dev, status.st_ino)):
            return  # it was looked at when its writer opened it
        with path.open("rb") as file:
            start = file.read(TRACE_BYTES_AT_MOST)
    except FileNotFoundError as error:
        raise LogbookUnusable(
            f"There is no logbook {path}", "check the name, or start one with `zerofirst new PLAN LOGBOOK`"
        ) from error
    except OSError as error:
        raise LogbookUnusable(f"{path} cannot be read ({error.strerror or error})", "check who may read it") from error
    except ValueError as error:
        raise LogbookUnusable("That is not a file name", "name a logbook") from error
    _judge(path, start)


def _judge(path: Path, start: bytes) -> None:
    ours = start[APPLICATION_ID_AT] == APPLICATION_ID.to_bytes(4, "big") or TRACE in start
    if start.startswith(SQLITE_MAGIC):
        if ours:
            return
        if len(start) >= APPLICATION_ID_AT.stop:
            raise LogbookUnusable(f"{path} is a database of another program, not a logbook", "name a logbook")
        raise LogbookDamaged(f"Of {path} only {path.stat().st_size} bytes are left", AUDIT)
    if ours:
        raise LogbookDamaged(f"The start of {path} is damaged, so it cannot be opened", AUDIT)
    if not start and beside(path, "-wal").exists():
        raise LogbookDamaged(f"{path} is empty, though a write-ahead log lies beside it", AUDIT)
    what = "is empty" if not start else "is not a logbook (or it is encrypted)"
    raise LogbookUnusable(f"{path} {what}", "name a file that `zerofirst new` made")
