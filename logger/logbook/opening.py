"""What a writer must know of a logbook before it adds to it: whether it may, and where the tree stands."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.errors import LogbookDamaged, LogbookUnusable
from logger.logbook import connect, leftover, schema
from logger.logbook.entries import Entry, Kind
from logger.logbook.merkle import head_of
from logger.logbook.note import NoteWrong
from logger.logbook.proofs import known_keys
from logger.logbook.reader import LogbookReader, logbook_id
from logger.logbook.seal import Checkpoint, parse_checkpoint
from logger.logbook.tiles import StoredTree, TiledTree, TileRow

ENDING_ENTRIES_AT_MOST: Final = 4
"""How many entries can stand from `closed` to the end: itself, a key, a checkpoint, the seal."""

_AUDIT: Final = "add nothing to it, and run `zerofirst audit` on it"


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a logbook stands."""

    id: str
    tree: TiledTree
    vkeys: frozenset[str]
    """Keys introduced so far."""
    checkpoint_number: int
    """Newest checkpoint; 0 if none."""


def load(path: Path, connection: sqlite3.Connection) -> Standing:
    """Bring the file up to date and find out where it stands.

    Raises:
        LogbookUnusable: if it is closed, or was made by a newer version.
        LogbookDamaged: if its guards are missing, or its tree does not agree with its newest checkpoint.
        sqlite3.Error: as SQLite says.
    """
    _bring_up(path, connection)
    reader = LogbookReader(path, connection)
    size = size_of(connection)
    if size == 0:
        raise LogbookDamaged(f"{path} holds no entry", _AUDIT)
    refuse_ended(path, reader, size)
    number, signed = _newest_signed(path, reader)
    vkeys = [entry.data.get("vkey") for entry in reader.entries(kinds=[Kind.OPERATOR])]
    return Standing(
        id=logbook_id(reader.entry(1).leaf),
        tree=_tree(path, connection, size, signed),
        vkeys=frozenset(vkey for vkey in vkeys if isinstance(vkey, str)),
        checkpoint_number=number,
    )


def foresee(path: Path) -> None:
    """Before a log that a crash left is folded in: file and log must be one logbook's, and agree with what was signed.

    Raises:
        LogbookDamaged: if they are not; nothing was changed then.
        sqlite3.Error: as SQLite says.
    """
    leftover.refuse_foreign_log(path)
    if not leftover.has_log(path):
        return
    connection = connect.with_log(path)
    try:
        _, signed = _newest_signed(path, LogbookReader(path, connection))
        if signed is not None and not _agrees(StoredTree(connection), signed):
            leaves = connection.execute("SELECT leaf FROM entries WHERE number <= ? ORDER BY number", (signed.size,))
            if head_of([leaf for (leaf,) in leaves]) != signed.head:
                raise _disagrees(path)
    finally:
        connection.close()


def _newest_signed(path: Path, reader: LogbookReader) -> tuple[int, Checkpoint | None]:
    entry = reader.last(Kind.CHECKPOINT)
    return (entry.number, _signed(path, reader, entry)) if entry else (0, None)


def _signed(path: Path, reader: LogbookReader, entry: Entry) -> Checkpoint:
    """The newest checkpoint, if a key of the logbook signed it: what is added must not vouch for what was altered."""
    try:
        signed = parse_checkpoint(str(entry.data.get("note")))
    except NoteWrong as error:
        raise _disagrees(path) from error
    if not any(key.signed(signed.note) for key in known_keys(reader)):
        raise _disagrees(path)
    return signed.checkpoint


def size_of(connection: sqlite3.Connection) -> int:
    """Number of the newest entry on disk; 0 if there is none."""
    return int(connection.execute("SELECT coalesce(max(number), 0) FROM entries").fetchone()[0])


def refuse_ended(path: Path, reader: LogbookReader, size: int) -> None:
    """Raise LogbookUnusable if the logbook was closed or sealed."""
    last = reader.entries(first=max(1, size - ENDING_ENTRIES_AT_MOST + 1))
    ending = [entry for entry in last if entry.kind in (Kind.CLOSED, Kind.SEAL)]
    if ending:
        word = "sealed" if ending[-1].kind == Kind.SEAL else "closed"
        raise LogbookUnusable(
            f"{path} was {word} at {ending[-1].at}",
            "nothing is added to a closed logbook; start a new one for further work",
        )


def _bring_up(path: Path, connection: sqlite3.Connection) -> None:
    found = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if found > schema.FORMAT:
        raise LogbookUnusable(f"{path} was made by a newer version of zerofirst (format {found})", "update zerofirst")
    if found < 1:
        raise LogbookDamaged(f"{path} does not say which format it has", _AUDIT)
    if found < schema.FORMAT:
        schema.migrate(connection)
    objects = dict(connection.execute("SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL"))
    for name, statement in schema.expected_objects(schema.FORMAT).items():
        if objects.get(name) != statement:
            raise LogbookDamaged(f"In {path}, `{name}` is missing or was changed", _AUDIT)


def _tree(path: Path, connection: sqlite3.Connection, size: int, signed: Checkpoint | None) -> TiledTree:
    stored = StoredTree(connection)
    if signed is None or _agrees(stored, signed):
        try:
            return stored.resume(size)
        except LogbookDamaged:
            pass  # tiles are missing; they can be made again from the leaves
    tree = rebuild_tiles(connection)
    if tree.size != size or (signed is not None and not _agrees(stored, signed)):
        raise _disagrees(path)
    return tree


def _agrees(stored: StoredTree, signed: Checkpoint) -> bool:
    try:
        return stored.mth(0, signed.size) == signed.head
    except LogbookDamaged:
        return False


def _disagrees(path: Path) -> LogbookDamaged:
    return LogbookDamaged(f"The entries of {path} do not agree with its newest checkpoint", _AUDIT)


def rebuild_tiles(connection: sqlite3.Connection) -> TiledTree:
    """Compute every tile anew from the leaves, store them, and return the tree. Reads every leaf once."""
    tree = TiledTree()
    tiles: list[TileRow] = []
    for (leaf,) in connection.execute("SELECT leaf FROM entries ORDER BY number"):
        tiles.extend(tree.push(leaf))
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("DELETE FROM tiles")
    connection.executemany("INSERT INTO tiles (level, number, head) VALUES (?, ?, ?)", tiles)
    connection.execute("COMMIT")
    return tree
