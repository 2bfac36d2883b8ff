"""The end of a logbook in memory: the next number, the tree so far, and the entries that are not on disk yet."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from typing import Final

from logger.errors import StorageFailed
from logger.logbook.entries import leaf_of_bytes
from logger.logbook.tiles import TiledTree, TileRow

MAX_PENDING_BYTES: Final = 64 * 1024 * 1024
"""How much may wait in memory while the disk does not take it: minutes at 800 readings a second, hours at 10."""

ROW_OVERHEAD_BYTES: Final = 400
"""What an entry costs in memory beyond its body: its tuple, its leaf, its time."""

Row = tuple[int, str, str, str, bytes]
"""Number, at, kind, body, leaf: an entry as it is inserted."""


@dataclass(slots=True)
class Batch:
    """Entries that go to disk together, and the tiles that they fill."""

    rows: list[Row] = field(default_factory=list)
    tiles: list[TileRow] = field(default_factory=list)
    size_bytes: int = 0


class Tail:
    """Gives numbers and leaves, and keeps what waits. Not thread-safe: its owner locks."""

    def __init__(self, tree: TiledTree | None = None) -> None:
        self.tree = tree or TiledTree()
        self.waiting = Batch()
        self._at, self._at_encoded = "", b""

    @property
    def size(self) -> int:
        """Number of the newest entry, waiting ones included."""
        return self.tree.size

    def append(self, at: str, kind: str, body: str, bounded: bool = True) -> int:
        """Number, hash and keep one entry; `bounded` False for the one that tells what happened to the others.

        Raises:
            StorageFailed: if too much is waiting already; the entry was not taken.
        """
        waiting = self.waiting
        encoded = body.encode()
        if bounded and waiting.size_bytes + len(encoded) > MAX_PENDING_BYTES:
            raise StorageFailed(
                f"{len(waiting.rows)} entries wait in memory and the disk does not take them; no more can be held",
                "make room on the disk, or stop",
            )
        if at != self._at:  # what belongs together has one time
            self._at, self._at_encoded = at, at.encode()
        number = self.tree.size + 1
        leaf = leaf_of_bytes(number, self._at_encoded, kind.encode(), encoded)
        waiting.rows.append((number, at, kind, body, leaf))
        waiting.size_bytes += len(encoded) + ROW_OVERHEAD_BYTES
        if filled := self.tree.push(leaf):
            waiting.tiles.extend(filled)
        return number

    def take(self) -> Batch:
        """Everything that waits; from now on the caller's to write or to give back."""
        batch, self.waiting = self.waiting, Batch()
        return batch

    def give_back(self, batch: Batch) -> None:
        """What could not be written waits again, before whatever came meanwhile."""
        later = self.waiting
        self.waiting = Batch(batch.rows + later.rows, batch.tiles + later.tiles, batch.size_bytes + later.size_bytes)


def write_batch(connection: sqlite3.Connection, batch: Batch) -> None:
    """Insert a batch in one transaction: durable when this returns, absent or in doubt when it raises.

    Raises:
        sqlite3.Error: as SQLite says; the transaction was rolled back as far as that was possible.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        connection.executemany("INSERT INTO entries (number, at, kind, body, leaf) VALUES (?, ?, ?, ?, ?)", batch.rows)
        if batch.tiles:
            connection.executemany("INSERT OR REPLACE INTO tiles (level, number, head) VALUES (?, ?, ?)", batch.tiles)
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            try:
                connection.execute("ROLLBACK")
            except sqlite3.Error:
                pass  # the first error is the one to tell; recovery opens the file anew
        raise
