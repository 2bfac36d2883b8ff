"""The tree over the entries, against signed heads and stored tiles: between which two checkpoints something was
altered.

The tree is kept twice: over the leaves as they stand, and over the stored heads of whole tiles. Where an entry and its
leaf were altered, the stored head may still be the old one: it then places the change in one tile, and later
checkpoints can be checked all the same. Only what agrees with a signed head counts as signed.
"""

from __future__ import annotations

import sqlite3
from typing import Final

from logger.audit.report import Faults, Wrong
from logger.audit.signed import SignatureCheck
from logger.audit.windows import UNKNOWN_LEAF, Row, Window, head_by_prefix, peaks_of_prefix
from logger.logbook.faults import DATABASE_ERRORS
from logger.logbook.merkle import Frontier, head_of, head_of_peaks
from logger.logbook.seal import Checkpoint
from logger.logbook.tiles import TILE_LEAVES

MISSING_TILES_AT_MOST: Final = 4096
"""So many whole tiles may be gone (a million entries) before the tree after them is given up."""

_SIGNED: Final = frozenset({b"checkpoint", b"seal"})
_OPERATOR: Final = b"operator"


class TreeCheck:
    """Takes windows in order."""

    def __init__(
        self, connection: sqlite3.Connection, logbook: str, signatures: SignatureCheck, faults: Faults
    ) -> None:
        self._connection = connection
        self._logbook = logbook
        self._signatures = signatures
        self._faults = faults
        self._standing = Frontier()
        self._stored = Frontier()
        self._tile_heads: list[bytes] = []
        """Heads of the tiles under the next stored hash of level 2, as they stand."""
        self._lost = False
        self._good = 0
        self._doubtful: tuple[int, int] | None = None
        self._unconfirmed = 0
        self.disagreeing: set[int] = set()
        self.head = b""

    def take(self, window: Window) -> None:
        """Take in a tile's worth of entries, or a run of whole tiles that are missing."""
        if not window.leaves:
            self._take_missing(window)
            return
        levels = head_by_prefix(window.leaves)
        for row in window.notable:
            if row[2] in _SIGNED:
                self._compare(row, window, levels)
            elif row[2] == _OPERATOR:
                self._signatures.operator(row)
        partial = peaks_of_prefix(levels, len(window.leaves))
        self.head = b"" if self._lost else head_of_peaks(self._standing.peaks + partial)
        if len(window.leaves) == TILE_LEAVES:
            self._close_tile(window, levels[-1][0])

    def _take_missing(self, window: Window) -> None:
        tiles = range((window.first - 1) // TILE_LEAVES, window.last // TILE_LEAVES)
        if len(tiles) > MISSING_TILES_AT_MOST or window.last % TILE_LEAVES:
            self._lost = True
            return
        for tile in tiles:
            stored = self._stored_head(1, tile) or UNKNOWN_LEAF
            self._standing.push(stored)
            self._stored.push(stored)
            self._count_tile(tile, stored)

    def _compare(self, row: Row, window: Window, levels: list[list[bytes]]) -> None:
        said = self._signatures.checkpoint(row, alone=not window.whole)
        if said is None:
            return
        partial = peaks_of_prefix(levels, row[0] - window.first)
        fits = said.logbook == self._logbook and said.size == row[0] - 1 and not self._lost
        stands = fits and head_of_peaks(self._standing.peaks + partial) == said.head
        if stands:
            self._signatures.covers()
        if stands or (fits and head_of_peaks(self._stored.peaks + partial) == said.head):
            self._settle_doubt(None)
            self._unconfirmed = 0
            self._good = said.size
        else:
            self._disagree(row[0], said)

    def _disagree(self, entry: int, said: Checkpoint) -> None:
        self.disagreeing.add(entry)
        if self._doubtful is not None or self._unconfirmed:
            self._unconfirmed += 1
            return
        self._signatures.settle()
        self._good = self._signatures.good(self.disagreeing)
        if said.logbook != self._logbook:
            sentence = f"The checkpoint in entry {entry} was made in another logbook."
            self._faults.add(Wrong.CHECKPOINT, sentence, self._good + 1, entry)
        elif said.size != entry - 1:
            sentence = f"The checkpoint in entry {entry} signs {said.size} entries; {entry - 1} stand before it."
            self._faults.add(Wrong.CHECKPOINT, sentence, self._good + 1, entry)
        self._doubtful = (self._good + 1, entry - 1)

    def _close_tile(self, window: Window, standing: bytes) -> None:
        tile = (window.first - 1) // TILE_LEAVES
        stored = self._stored_head(1, tile)
        self._standing.push(standing)
        self._stored.push(stored or standing)
        self._count_tile(tile, standing)
        if stored is None:
            self._faults.add(Wrong.TILE, "No tree hash is stored over {span}.", window.first, window.last)
        elif stored != standing and not self._narrow_doubt(window) and window.whole:
            sentence = "The stored tree hash does not agree with {span}."
            self._faults.add(Wrong.TILE, sentence, window.first, window.last)

    def _count_tile(self, tile: int, head: bytes) -> None:
        self._tile_heads.append(head)
        if len(self._tile_heads) < TILE_LEAVES:
            return
        heads, self._tile_heads = self._tile_heads, []
        stored = self._stored_head(2, tile // TILE_LEAVES)
        if stored not in (head_of(heads), self._stored_over(tile // TILE_LEAVES)):
            span = TILE_LEAVES * TILE_LEAVES
            last = (tile + 1) * TILE_LEAVES
            self._faults.add(
                Wrong.TILE, f"The stored tree hash over entries {last - span + 1} to {last} is not theirs."
            )

    def _stored_over(self, number: int) -> bytes | None:
        """Head over the stored tiles under a hash of level 2: what it was made from, if those were left alone."""
        heads = [self._stored_head(1, number * TILE_LEAVES + each) for each in range(TILE_LEAVES)]
        return head_of([head for head in heads if head is not None])

    def _stored_head(self, level: int, number: int) -> bytes | None:
        query = "SELECT head FROM tiles WHERE level = ? AND number = ?"
        try:
            row = self._connection.execute(query, (level, number)).fetchone()
        except DATABASE_ERRORS:
            return None
        return row[0] if row and isinstance(row[0], bytes) and len(row[0]) == len(UNKNOWN_LEAF) else None

    def _narrow_doubt(self, window: Window) -> bool:
        """If what is in doubt reaches into this tile, that is where it is."""
        if self._doubtful is None or self._doubtful[0] > window.last or self._doubtful[1] < window.first:
            return False
        self._settle_doubt((max(self._doubtful[0], window.first), min(self._doubtful[1], window.last)))
        return True

    def _settle_doubt(self, place: tuple[int, int] | None) -> None:
        place, self._doubtful = place or self._doubtful, None
        if place is not None:
            self._faults.add(Wrong.CHECKPOINT, "Altered: {span} are not what was signed.", *place)

    def finish(self) -> None:
        """After the last entry."""
        self._settle_doubt(None)
        if self._unconfirmed:
            later = "1 later checkpoint does" if self._unconfirmed == 1 else f"{self._unconfirmed} later checkpoints do"
            self._faults.add(
                Wrong.CHECKPOINT, f"{later} not confirm what follows, since what was altered stands before them too."
            )
        self._signatures.finish(self.disagreeing)
