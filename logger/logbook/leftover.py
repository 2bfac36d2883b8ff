"""A write-ahead log that a crash left beside a logbook: is it this logbook's own, and do the two agree?

SQLite folds any log of that name into the file, whosever it is; after that the file is lost. So both are looked at
together first, over connections that cannot write.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from logger.errors import LogbookDamaged
from logger.logbook import connect
from logger.logbook.faults import DATABASE_ERRORS
from logger.logbook.files import beside


def has_log(path: Path) -> bool:
    """Whether a log with something in it lies beside the file."""
    wal = beside(path, "-wal")
    return wal.exists() and wal.stat().st_size > 0


def refuse_foreign_log(path: Path) -> None:
    """Raise LogbookDamaged if the log beside the file is another logbook's. Call it while nobody writes.

    Entry 1 is written when a logbook is made and stands in the file itself; a log that shows another one is not its
    own.
    """
    if not has_log(path):
        return
    alone, together = _first_leaf(connect.alone(path)), _first_leaf(connect.with_log(path))
    if alone is not None and together is not None and alone != together:
        raise LogbookDamaged(
            f"The -wal file beside {path} belongs to another logbook",
            "put it back beside its own; without it this one is as it was when it was last closed",
            entry=1,
        )


def _first_leaf(connection: sqlite3.Connection) -> bytes | None:
    try:
        row = connection.execute("SELECT leaf FROM entries WHERE number = 1").fetchone()
    except DATABASE_ERRORS:
        return None  # half folded in, which the log itself mends; or damaged, which the reading of entries tells
    finally:
        connection.close()
    return row[0] if row and isinstance(row[0], bytes) else None
