"""What a logbook file is made of: the entries, their guards, what is derived from them; how older files are brought up.

One migration a format version; a released one is never edited, since every logbook ever written must stay readable.
This is the only module that imports sqlite_utils, and only inside `migrate`.
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Final

from logger.logbook.entries import BULK_KINDS
from logger.logbook.views import VIEWS

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID: Final = 0x5A65726F
"""`Zero` in ASCII, at byte 68 of the file: whose file it is."""

FORMAT: Final = 1
"""`user_version`: how many migrations a file has had."""

MIGRATION_SET: Final = "zerofirst"
MIGRATIONS: Final = ("format 1",)
"""Name of the migration that made each format, in order; kept in the file by sqlite_utils."""

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

STATEMENTS: Final = (_ENTRIES, _NO_UPDATE, _NO_DELETE, _NO_REPLACE, _MILESTONES, _TILES, *VIEWS.values())
"""Format 1, whole and in order."""

MIGRATION_TABLE: Final = "_sqlite_migrations"
"""Belongs to sqlite_utils: which migrations a file has had, and when. Its exact form is that library's affair."""


def migrate(connection: sqlite3.Connection) -> None:
    """Bring an empty or older file up to `FORMAT`; do nothing to a current one. Each migration is one transaction.

    Raises:
        sqlite3.Error: as SQLite says.
    """
    from sqlite_utils import Database, Migrations

    migrations = Migrations(MIGRATION_SET)

    @migrations(name=MIGRATIONS[0])
    def format_1(database: Database) -> None:
        for statement in STATEMENTS:
            database.conn.execute(statement)
        database.conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        database.conn.execute("PRAGMA user_version = 1")

    migrations.apply(Database(connection, recursive_triggers=True, execute_plugins=False))


def expected_objects() -> dict[str, str]:
    """Name → SQL text of everything that a file of this format holds, apart from the migration table."""
    return {statement.split()[2]: statement for statement in STATEMENTS}
