"""The tree as a logbook stores it: the heads of whole tiles of 256 leaves (level 1), and of 256 such tiles (level 2).

Tiles are derived: leaves stand in `entries`, and every tile can be computed again from them. They make proofs quick,
let a writer go on without reading everything, and narrow a change down to one tile. They are no evidence; signed
checkpoints are.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import Final

from logger.errors import LogbookDamaged
from logger.logbook.merkle import Frontier, head_of_peaks

TILE_LEAVES: Final = 256
"""Leaves under a tile of level 1, and tiles of a level under one of the next."""

TOP_LEVEL: Final = 2
"""The highest level stored: one hash for 65,536 entries, so a tree of a hundred million is under 2,000 more hashes."""

TileRow = tuple[int, int, bytes]
"""Level (1 or 2), number (from 0), head."""


class TiledTree:
    """The tree as it grows, telling of every tile that fills."""

    __slots__ = ("_levels", "size")

    def __init__(self) -> None:
        self.size = 0
        self._levels = [Frontier() for _ in range(TOP_LEVEL + 1)]

    def push(self, leaf: bytes) -> Sequence[TileRow]:
        """Append a leaf hash. Returns the tiles that it filled, lowest level first; mostly none."""
        lowest = self._levels[0]
        lowest.push(leaf)
        self.size += 1
        return () if lowest.size < TILE_LEAVES else self._carry()

    def _carry(self) -> list[TileRow]:
        filled = []
        for level in range(TOP_LEVEL):
            if self._levels[level].size < TILE_LEAVES:
                break
            head = self._levels[level].head()
            self._levels[level] = Frontier()
            self._levels[level + 1].push(head)
            filled.append((level + 1, self.size // TILE_LEAVES ** (level + 1) - 1, head))
        return filled

    def head(self) -> bytes:
        """The tree head over all leaves so far."""
        return head_of_peaks([peak for level in reversed(self._levels) for peak in level.peaks])

    def restore(self, heads: Sequence[Iterable[bytes]]) -> None:
        """Take up a tree where it was left: per level from 0, the hashes not under a tile of the next level."""
        self._levels = [Frontier() for _ in heads]
        self.size = 0
        for level, hashes in enumerate(heads):
            for one in hashes:
                self._levels[level].push(one)
            self.size += self._levels[level].size * TILE_LEAVES**level


class StoredTree:
    """The tree of a logbook, read from its leaves and tiles."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def mth(self, first: int, last: int) -> bytes:
        """Head over leaves first…last-1 (from 0), for the ranges that RFC 9162 asks for.

        Raises:
            LogbookDamaged: if a leaf or tile is missing.
            ValueError: if the range is none that the tree divides into.
        """
        peaks: list[bytes] = []
        for level, start, hashes in self._pieces(first, last):
            if start % TILE_LEAVES**level:
                raise ValueError(f"leaves {first} to {last} are no subtree")
            frontier = Frontier()
            for one in hashes:
                frontier.push(one)
            peaks += frontier.peaks
        return head_of_peaks(peaks)

    def resume(self, size: int) -> TiledTree:
        """The growing tree over the first `size` leaves."""
        heads: list[Sequence[bytes]] = [[] for _ in range(TOP_LEVEL + 1)]
        for level, _, hashes in self._pieces(0, size):
            heads[level] = hashes
        tree = TiledTree()
        tree.restore(heads)
        return tree

    def _pieces(self, first: int, last: int) -> Iterable[tuple[int, int, Sequence[bytes]]]:
        for level in range(TOP_LEVEL, -1, -1):
            span = TILE_LEAVES**level
            count = (last - first) // span
            if count:
                yield level, first, self._hashes(level, first // span, count)
                first += count * span

    def _hashes(self, level: int, first: int, count: int) -> list[bytes]:
        if level:
            query = "SELECT head FROM tiles WHERE level = ? AND number >= ? AND number < ? ORDER BY number"
            rows = self._connection.execute(query, (level, first, first + count))
        else:
            query = "SELECT leaf FROM entries WHERE number > ? AND number <= ? ORDER BY number"
            rows = self._connection.execute(query, (first, first + count))
        found = [one for (one,) in rows]
        if len(found) != count:
            span = TILE_LEAVES**level
            raise LogbookDamaged(
                f"{'Tree hashes over' if level else 'Some of'} entries {first * span + 1} to "
                f"{(first + count) * span} are missing",
                "run `zerofirst audit` on the logbook",
                entry=first * span + 1,
            )
        return found
