"""Ways of altering a logbook, from a slip in a database browser to an insider with time. Each says where the audit
must point.

`Forgery.place` is an entry that was altered (None: the file as such); `outsider` tells whether the outsider's
verifier, which knows nothing of our own bookkeeping, can see it too.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from record_kit import KEY, OTHER_KEY, forging

from logger.logbook.entries import leaf_hash
from logger.logbook.keys import OperatorKey
from logger.logbook.merkle import Frontier, head_of
from logger.logbook.reader import logbook_id
from logger.logbook.seal import Checkpoint, sign_checkpoint
from logger.logbook.tiles import TILE_LEAVES

Hands = Callable[[sqlite3.Connection], None]

PLACE = 301
"""The entry that most forgeries alter: a reading in the second tile, between two checkpoints."""


@dataclass(frozen=True, slots=True)
class Forgery:
    name: str
    hands: Hands
    place: int | None = PLACE
    outsider: bool = True
    keep_guards: bool = True

    def do(self, path: Path) -> None:
        with forging(path, self.keep_guards) as connection:
            self.hands(connection)


def row(connection: sqlite3.Connection, number: int) -> list[Any]:
    query = "SELECT number, at, kind, body, leaf FROM entries WHERE number = ?"
    return list(connection.execute(query, (number,)).fetchone())


def put(connection: sqlite3.Connection, values: list[Any], right_leaf: bool) -> None:
    """Write a row over the one of its number, with the leaf as given or as it would have to be."""
    if right_leaf:
        values = [*values[:4], leaf_hash(*values[:4])]
    connection.execute("INSERT OR REPLACE INTO entries VALUES (?, ?, ?, ?, ?)", values)


def column(position: int, value: Any, right_leaf: bool = False, number: int = PLACE) -> Hands:
    def hands(connection: sqlite3.Connection) -> None:
        values = row(connection, number)
        values[position] = value
        put(connection, values, right_leaf)

    return hands


def nicer(connection: sqlite3.Connection, number: int = PLACE, right_leaf: bool = True) -> None:
    """A better value in a reading."""
    values = row(connection, number)
    assert '"value":"' in values[3]
    values[3] = values[3].replace('"value":"', '"value":"9')
    put(connection, values, right_leaf)


def twice(connection: sqlite3.Connection) -> None:
    """Two better values, far apart."""
    nicer(connection, PLACE)
    nicer(connection, PLACE + 500)


def with_tiles(hands: Hands) -> Hands:
    """And the stored tree hashes made to fit."""

    def more(connection: sqlite3.Connection) -> None:
        hands(connection)
        leaves = [leaf for (leaf,) in connection.execute("SELECT leaf FROM entries ORDER BY number")]
        for tile in range(len(leaves) // TILE_LEAVES):
            head = head_of(leaves[tile * TILE_LEAVES : (tile + 1) * TILE_LEAVES])
            connection.execute("INSERT OR REPLACE INTO tiles VALUES (1, ?, ?)", (tile, head))

    return more


def renumbered(connection: sqlite3.Connection, first: int, by: int) -> None:
    """Move entries from `first` on by `by` numbers, leaves made to fit."""
    rows = connection.execute("SELECT * FROM entries WHERE number >= ? ORDER BY number", (first,)).fetchall()
    connection.execute("DELETE FROM entries WHERE number >= ?", (first,))
    for number, at, kind, body, _ in rows:
        put(connection, [number + by, at, kind, body, b""], right_leaf=True)


def gone_and_closed_up(connection: sqlite3.Connection) -> None:
    connection.execute("DELETE FROM entries WHERE number = ?", (PLACE,))
    renumbered(connection, PLACE + 1, -1)


def slipped_in(connection: sqlite3.Connection) -> None:
    copied = row(connection, PLACE - 2)
    renumbered(connection, PLACE, +1)
    put(connection, [PLACE, *copied[1:]], right_leaf=True)


def swapped(right_leaf: bool) -> Hands:
    def hands(connection: sqlite3.Connection) -> None:
        one, other = row(connection, PLACE), row(connection, PLACE + 7)
        put(connection, [PLACE, *other[1:]], right_leaf)
        put(connection, [PLACE + 7, *one[1:]], right_leaf)

    return hands


def doubled(connection: sqlite3.Connection) -> None:
    put(connection, [PLACE + 1, *row(connection, PLACE)[1:]], right_leaf=True)


def signed_anew(hands: Hands, key: OperatorKey, and_the_key: bool) -> Hands:
    """Everything made to fit, checkpoints and all, with `key`."""

    def more(connection: sqlite3.Connection) -> None:
        hands(connection)
        frontier = Frontier()
        first = row(connection, 1)
        for (number,) in connection.execute("SELECT number FROM entries ORDER BY number").fetchall():
            values = row(connection, number)
            if values[2] == "operator" and and_the_key:
                values[3] = json.dumps({"vkey": key.vkey})
            if values[2] in ("checkpoint", "seal"):
                checkpoint = Checkpoint(logbook_id(leaf_hash(*first[:4])), number - 1, frontier.head())
                values[3] = json.dumps({"note": sign_checkpoint(checkpoint, key)})
            put(connection, values, right_leaf=True)
            frontier.push(leaf_hash(*values[:4]))

    return with_tiles(more)


def in_note(old: str, new: str) -> Hands:
    """Alter the text of the checkpoint at `CHECKPOINT`."""

    def hands(connection: sqlite3.Connection) -> None:
        number = first_checkpoint(connection)
        values = row(connection, number)
        note = json.loads(values[3])["note"]
        changed = note.replace(old.format(size=number - 1), new.format(size=number - 2))
        assert changed != note
        values[3] = json.dumps({"note": changed})
        put(connection, values, right_leaf=True)

    return hands


def first_checkpoint(connection: sqlite3.Connection) -> int:
    return int(connection.execute("SELECT min(number) FROM entries WHERE kind = 'checkpoint'").fetchone()[0])


def after_the_seal(connection: sqlite3.Connection) -> None:
    last = connection.execute("SELECT max(number) FROM entries").fetchone()[0]
    put(connection, [last + 1, row(connection, last)[1], "note", '{"text":"late"}', b""], right_leaf=True)


def schema_text(old: str, new: str) -> Hands:
    def hands(connection: sqlite3.Connection) -> None:
        connection.execute("PRAGMA writable_schema = ON")
        changed = connection.execute(
            "UPDATE sqlite_schema SET sql = replace(sql, ?, ?) WHERE name = 'entries'", (old, new)
        )
        assert changed.rowcount == 1
        connection.execute("PRAGMA writable_schema = RESET")

    return hands


def sql(*statements: str) -> Hands:
    def hands(connection: sqlite3.Connection) -> None:
        for statement in statements:
            connection.execute(statement)

    return hands


FIRST_CHECKPOINT = 252
KEY_ENTRY = 251
"""Where the first checkpoint stands, and before it the key that signs it."""

LETS_THROUGH = "CREATE TRIGGER entries_are_not_changed AFTER UPDATE ON tiles BEGIN SELECT 1; END"

FORGERIES = [
    Forgery("a value edited", lambda c: nicer(c, right_leaf=False)),
    Forgery("raw bytes edited", column(3, '{"serial":"SIM-0001","mono_ns":1,"data":""}', number=PLACE - 1), PLACE - 1),
    Forgery("the time edited", column(1, "2027-03-01T08:00:00.000000Z")),
    Forgery("the kind edited", column(2, "damaged")),
    Forgery("the leaf edited", column(4, bytes(32))),
    Forgery("an entry deleted", sql(f"DELETE FROM entries WHERE number = {PLACE}")),
    Forgery("a run of entries deleted", sql(f"DELETE FROM entries WHERE number BETWEEN {PLACE} AND {PLACE + 400}")),
    Forgery("an entry deleted and the rest closed up", gone_and_closed_up),
    Forgery("the same with tiles", with_tiles(gone_and_closed_up)),
    Forgery("an entry slipped in", slipped_in),
    Forgery("the same with tiles, slipped in", with_tiles(slipped_in)),
    Forgery("two entries swapped", swapped(right_leaf=False)),
    Forgery("two entries swapped, leaves too", swapped(right_leaf=True)),
    Forgery("an entry doubled over the next", doubled, PLACE + 1),
    Forgery("a value and its leaf", nicer),
    Forgery("a value, its leaf and the tiles", with_tiles(nicer)),
    Forgery("two values, leaves and tiles", with_tiles(twice)),
    Forgery("a value in the first entries", with_tiles(lambda c: nicer(c, 5)), 5),
    Forgery("INSERT OR REPLACE with the guards off", column(3, "{}")),
    Forgery("all made to fit and signed by another key", signed_anew(nicer, OTHER_KEY, and_the_key=False)),
    Forgery("a checkpoint's size", in_note("\n{size}\n", "\n{size}\n"), FIRST_CHECKPOINT),
    Forgery("a checkpoint's head", in_note("=\n\n", "A=\n\n"), FIRST_CHECKPOINT),
    Forgery("a checkpoint's origin", in_note("zerofirst/", "zerofirst/f"), FIRST_CHECKPOINT),
    Forgery("a checkpoint's signer", in_note(KEY.name, OTHER_KEY.name), FIRST_CHECKPOINT),
    Forgery("a checkpoint's signature", in_note("/ana ", "/ana A"), FIRST_CHECKPOINT),
    Forgery("the key in the file", column(3, json.dumps({"vkey": OTHER_KEY.vkey}), True, KEY_ENTRY), KEY_ENTRY),
    Forgery("added after the seal", after_the_seal, None),
    Forgery("a body that is no object", with_tiles(column(3, "[1]", right_leaf=True))),
    Forgery("guards taken off", sql(), None, keep_guards=False),
    Forgery("a guard that lets through", sql(LETS_THROUGH), None, keep_guards=False),
    Forgery("no longer strict", schema_text(" STRICT", ""), None),
    Forgery("a hidden column", sql("ALTER TABLE entries ADD COLUMN nicer TEXT AS (body)"), None),
    Forgery("a view of nearly that name", sql('CREATE VIEW "entries " AS SELECT * FROM entries'), None, outsider=False),
    Forgery("a view changed", sql("DROP VIEW readings", "CREATE VIEW readings AS SELECT 1"), None, outsider=False),
    Forgery("another table", sql("CREATE TABLE results_2 (x)"), None, outsider=False),
    Forgery("another's mark", sql("PRAGMA application_id = 1"), None, outsider=False),
    Forgery("another format", sql("PRAGMA user_version = 7"), None, outsider=False),
    Forgery("a tile edited", sql("UPDATE tiles SET head = zeroblob(32) WHERE number = 1"), PLACE, outsider=False),
    Forgery("a tile gone", sql("DELETE FROM tiles WHERE number = 1"), PLACE, outsider=False),
    Forgery("a tile too many", sql("INSERT INTO tiles VALUES (5, 0, zeroblob(32))"), None, outsider=False),
    Forgery("the tail cut, tiles left", sql("DELETE FROM entries WHERE number > 700"), 701, outsider=False),
]  # fmt: skip
"""Each on a sealed logbook of about 1,000 entries."""
