"""What a logbook file is made of: the entries, their guards, what is derived from them; how older files are brought up.

One migration a format version; a released one is never edited, since every logbook ever written must stay readable.
This is the only module that imports sqlite_utils, and only inside `migrate`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from logger.logbook.entries import BULK_KINDS
from logger.logbook.views import VIEWS

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID: Final = 0x5A65726F
"""`Zero` in ASCII, at byte 68 of the file: whose file it is."""

MIGRATION_SET: Final = "zerofirst"

NOT_BULK: Final = " AND ".join(f"kind <> '{kind}'" for kind in BULK_KINDS)
"""The condition of the index (NOT IN would double the cost of an insert); a query must repeat it to the letter."""

_ENTRIES: Final = """\
CREATE TABLE entries (
    number INTEGER PRIMARY KEY NOT NULL,
    at TEXT NOT NULL,
    kind TEXT NOT NULL,
    body TEXT NOT NULL,
    leaf BLOB NOT NULL
) STRICT"""

_NO_UPDATE: Final = """\
CREATE TRIGGER entries_are_not_changed BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'zerofirst: an entry is never changed; write a later one that names it'); END"""

_NO_DELETE: Final = """\
CREATE TRIGGER entries_are_not_removed BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'zerofirst: an entry is never removed; write a later one that names it'); END"""

# REPLACE deletes without firing the delete trigger unless a pragma of the connection says otherwise: so the file
# itself refuses.
_NO_REPLACE: Final = """\
CREATE TRIGGER entries_follow_on BEFORE INSERT ON entries
WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entries)
BEGIN SELECT RAISE(ABORT, 'zerofirst: an entry takes the next number'); END"""

_MILESTONES: Final = f"CREATE INDEX milestones ON entries (number, kind) WHERE {NOT_BULK}"

_TILES: Final = """\
CREATE TABLE tiles (
    level INTEGER NOT NULL,
    number INTEGER NOT NULL,
    head BLOB NOT NULL,
    PRIMARY KEY (level, number)
) STRICT, WITHOUT ROWID"""

_FORMAT_1: Final = (_ENTRIES, _NO_UPDATE, _NO_DELETE, _NO_REPLACE, _MILESTONES, _TILES, *VIEWS.values())

MIGRATIONS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (("format 1", _FORMAT_1),)
"""Name and statements of each format, in order. A later one may drop what it replaces, but never touches an entry."""

FORMAT: Final = len(MIGRATIONS)
"""`user_version` of a file made today: how many migrations it has had."""

MIGRATION_TABLE: Final = "_sqlite_migrations"
"""Belongs to sqlite_utils: which migrations a file has had, and when. Its exact form is that library's affair."""


def migrate(connection: sqlite3.Connection) -> None:
    """Bring an empty or older file up to `FORMAT`; do nothing to a current one. Each migration is one transaction.

    Raises:
        sqlite3.Error: as SQLite says.
    """
    from sqlite_utils import Database, Migrations

    migrations = Migrations(MIGRATION_SET)
    for number, (name, statements) in enumerate(MIGRATIONS, 1):
        migrations(name=name)(_bring_to(number, statements))
    migrations.apply(Database(connection, recursive_triggers=True, execute_plugins=False))


def _bring_to(number: int, statements: tuple[str, ...]) -> Callable[[Database], None]:
    def run(database: Database) -> None:
        for statement in statements:
            database.conn.execute(statement)
        database.conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        database.conn.execute(f"PRAGMA user_version = {number}")

    return run


def is_known(file_format: object) -> bool:
    """Whether this version knows the format."""
    return isinstance(file_format, int) and 1 <= file_format <= FORMAT


@lru_cache(maxsize=len(MIGRATIONS))
def expected_objects(file_format: int) -> dict[str, str]:
    """Name → SQL text of everything that a file of a known format holds, apart from the migration table."""
    connection = sqlite3.connect(":memory:")
    try:
        for _, statements in MIGRATIONS[:file_format]:
            for statement in statements:
                connection.execute(statement)
        return dict(connection.execute("SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL"))
    finally:
        connection.close()
