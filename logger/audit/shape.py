"""Whether a logbook's file is built as ours are: tables, guards, views, marks, and SQLite's own bookkeeping."""

from __future__ import annotations

import sqlite3
from collections import Counter
from pathlib import Path
from typing import Final

from logger.audit.report import Faults, Wrong
from logger.logbook import schema
from logger.logbook.faults import DATABASE_ERRORS
from logger.logbook.reader import connection_for
from logger.text import harmless

STRUCTURE_FAULTS_AT_MOST: Final = 20
"""How many of SQLite's own findings are told: they repeat themselves."""

_SHOWN: Final = 60
"""How much of a strange name is shown, characters."""

_LIBRARY_INDEX: Final = "idx__sqlite_migrations_"


def check_shape(connection: sqlite3.Connection, faults: Faults) -> None:
    """Compare what the file says of itself with what a logbook of its format is."""
    file_format = _check_marks(connection, faults)
    try:
        rows = connection.execute("SELECT type, name, sql FROM sqlite_schema").fetchall()
    except DATABASE_ERRORS as error:
        faults.add(Wrong.SCHEMA, f"The file's description of its tables cannot be read ({error}).")
        return
    expected = schema.expected_objects(file_format)
    names = Counter(str(name) for _, name, _ in rows)
    found = {str(name): sql for _, name, sql in rows}
    for name, statement in expected.items():
        _check_object(name, statement, found.get(name), names[name], faults)
    _check_migrations(connection, file_format, faults)
    for kind, name, _ in rows:
        if str(name) not in expected and not _is_the_librarys(str(kind), str(name)):
            shown = harmless(str(name), _SHOWN)
            faults.add(Wrong.SCHEMA, f"The file holds a {harmless(str(kind), 10)} `{shown}` that no logbook has.")


def _check_marks(connection: sqlite3.Connection, faults: Faults) -> int:
    """The format to hold the file to: the one it says, if that is known."""
    mark, encoding, file_format = (
        connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "encoding", "user_version")
    )
    if mark != schema.APPLICATION_ID:
        faults.add(Wrong.SCHEMA, f"The file does not say that it is a logbook (application_id is {mark}).")
    if encoding != "UTF-8":
        faults.add(Wrong.SCHEMA, f"The file keeps its texts in {harmless(str(encoding), _SHOWN)}, not in UTF-8.")
    if schema.is_known(file_format):
        return int(file_format)
    faults.add(Wrong.SCHEMA, f"The file says that it is of format {file_format}, which this version does not know.")
    return schema.FORMAT


def _check_migrations(connection: sqlite3.Connection, file_format: int, faults: Faults) -> None:
    query = f"SELECT name FROM {schema.MIGRATION_TABLE} WHERE migration_set = ? ORDER BY rowid"
    try:
        found = [name for (name,) in connection.execute(query, (schema.MIGRATION_SET,))]
    except DATABASE_ERRORS:
        found = []
    if found != [name for name, _ in schema.MIGRATIONS[:file_format]]:
        faults.add(Wrong.SCHEMA, "The file does not say truly which formats it has gone through.")


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
        connection, _ = connection_for(path)
        try:
            rows = connection.execute(f"PRAGMA quick_check({STRUCTURE_FAULTS_AT_MOST})").fetchall()
        finally:
            connection.close()
    except (*DATABASE_ERRORS, OSError) as error:
        return [str(error)]
    lines = [line for (text,) in rows for line in str(text).splitlines() if not line.startswith("***")]
    return [line for line in lines if line != "ok"][:STRUCTURE_FAULTS_AT_MOST]
