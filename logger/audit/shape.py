"""Whether a logbook's file is built as ours are: tables, guards, views, marks, and SQLite's own bookkeeping."""

from __future__ import annotations

import sqlite3
from collections import Counter
from pathlib import Path
from typing import Final

from logger.audit.report import Faults, Wrong
from logger.logbook import connect, schema
from logger.logbook.faults import DATABASE_ERRORS
from logger.text import harmless

STRUCTURE_FAULTS_AT_MOST: Final = 20
"""How many of SQLite's own findings are told: they repeat themselves."""

_SHOWN: Final = 60
"""How much of a strange name is shown, characters."""

_LIBRARY_INDEX: Final = "idx__sqlite_migrations_"


def check_shape(connection: sqlite3.Connection, faults: Faults) -> None:
    """Compare what the file says of itself with what a logbook of its format is."""
    _check_marks(connection, faults)
    try:
        rows = connection.execute("SELECT type, name, sql FROM sqlite_schema").fetchall()
    except DATABASE_ERRORS as error:
        faults.add(Wrong.SCHEMA, f"The file's description of its tables cannot be read ({error}).")
        return
    expected = schema.expected_objects()
    names = Counter(str(name) for _, name, _ in rows)
    found = {str(name): sql for _, name, sql in rows}
    for name, statement in expected.items():
        _check_object(name, statement, found.get(name), names[name], faults)
    _check_migrations(connection, faults)
    for kind, name, _ in rows:
        if str(name) not in expected and not _is_the_librarys(str(kind), str(name)):
            shown = harmless(str(name), _SHOWN)
            faults.add(Wrong.SCHEMA, f"The file holds a {harmless(str(kind), 10)} `{shown}` that no logbook has.")


def _check_migrations(connection: sqlite3.Connection, faults: Faults) -> None:
    query = f"SELECT name FROM {schema.MIGRATION_TABLE} WHERE migration_set = ? ORDER BY rowid"
    try:
        found = [name for (name,) in connection.execute(query, (schema.MIGRATION_SET,))]
    except DATABASE_ERRORS:
        found = []
    if found != list(schema.MIGRATIONS):
        faults.add(Wrong.SCHEMA, "The file does not say truly which formats it has gone through.")


def _check_marks(connection: sqlite3.Connection, faults: Faults) -> None:
    marks = {
        "application_id": (schema.APPLICATION_ID, "does not say that it is a logbook"),
        "user_version": (
            schema.FORMAT,
            "says that it is of a format that it is not, or that this version does not know",
        ),
        "encoding": ("UTF-8", "keeps its texts in another encoding than a logbook does"),
    }
    for mark, (right, what) in marks.items():
        found = connection.execute(f"PRAGMA {mark}").fetchone()[0]
        if found != right:
            faults.add(Wrong.SCHEMA, f"The file {what} ({mark} is {found}, not {right}).")


def _check_object(name: str, statement: str, found: str | None, times: int, faults: Faults) -> None:
    is_guard = statement.startswith("CREATE TRIGGER")
    what, word = (Wrong.GUARD, "guard") if is_guard else (Wrong.SCHEMA, statement.split()[1].lower())
    if times == 0:
        loss = ": somebody took it out, and could change entries after that" if is_guard else ""
        faults.add(what, f"The {word} `{name}` is missing{loss}.")
    elif times > 1:
        faults.add(what, f"The {word} `{name}` stands twice in the file.")
    elif found != statement:
        faults.add(what, f"The {word} `{name}` was changed.")


def _is_the_librarys(kind: str, name: str) -> bool:
    if kind == "table":
        return name == schema.MIGRATION_TABLE
    return kind == "index" and name.startswith((_LIBRARY_INDEX, f"sqlite_autoindex_{schema.MIGRATION_TABLE}"))


def check_structure(path: Path) -> list[str]:
    """What SQLite itself finds wrong with the file, over a connection of its own; empty if nothing."""
    try:
        connection, _ = connect.for_reading(path)
        try:
            rows = connection.execute(f"PRAGMA quick_check({STRUCTURE_FAULTS_AT_MOST})").fetchall()
        finally:
            connection.close()
    except (*DATABASE_ERRORS, OSError) as error:
        return [str(error)]
    lines = [line for (text,) in rows for line in str(text).splitlines() if not line.startswith("***")]
    return [line for line in lines if line != "ok"][:STRUCTURE_FAULTS_AT_MOST]
