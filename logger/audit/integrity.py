"""Does a logbook stand? Every entry against its hash, every hash against the tree, the tree against what was signed.

One pass, a tile at a time, flat memory. A clean logbook gives no fault; every fault says where. What a file cannot
show about itself is said in remarks, not passed over. What entries mean is not looked at here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from logger.audit import remarks, shape
from logger.audit.report import Faults, IntegrityReport, Wrong
from logger.audit.signed import SignatureCheck
from logger.audit.tree import TreeCheck
from logger.audit.windows import Window, Windows
from logger.errors import InputWrong
from logger.logbook import leftover
from logger.logbook.entries import Kind
from logger.logbook.faults import DATABASE_ERRORS
from logger.logbook.note import NoteWrong, VerifierKey, parse_vkey
from logger.logbook.reader import LogbookReader, logbook_id
from logger.logbook.tiles import TILE_LEAVES, TOP_LEVEL

Progress = Callable[[int, int], None]
"""`progress(done, total)`, in entries."""

PROGRESS_EVERY: Final = 16 * TILE_LEAVES
"""How often progress is told, entries."""

READ_AGAIN_AT_MOST: Final = 3
"""How often a file that changed under the check is read again before its faults are believed."""

HELPERS: Final = 1
"""Threads beside the reading one: SQLite's own check, which needs nothing of Python while it runs."""

_AFTER_CLOSED: Final = frozenset(
    str(kind).encode() for kind in (Kind.CHECKPOINT, Kind.OPERATOR, Kind.SEAL, Kind.STORAGE_FAULT)
)


def check_integrity(
    reader: LogbookReader, progress: Progress | None = None, pinned: Sequence[str] = ()
) -> IntegrityReport:
    """Check a whole logbook.

    Args:
        reader: an open logbook.
        progress: told now and then.
        pinned: verifier keys known from elsewhere: then only what they, or keys they vouch for, signed counts.

    Raises:
        InputWrong: if a pinned key is none.
        LogbookDamaged, LogbookUnusable: if it can no longer be read at all.
    """
    keys = tuple(_pinned(text) for text in pinned)
    report = _Check(reader, keys, progress).run()
    for _ in range(READ_AGAIN_AT_MOST):
        if report.is_whole or not reader.disturbed:
            break
        with LogbookReader.open(reader.path) as again:
            report = _Check(again, keys, progress).run()
            if not again.disturbed:
                break
    return report


def _to_be_sealed(body: bytes) -> bool:
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        return False
    return isinstance(said, dict) and said.get("seal") is True


def _pinned(text: str) -> VerifierKey:
    try:
        return parse_vkey(text.strip())
    except NoteWrong as error:
        raise InputWrong(f"That is no verifier key: {error}", "give the `vkey` text of the operator") from error


FEWEST_ENTRIES = 2
"""A logbook is made whole with these, entries: the job and its rules."""


class _Check:
    """One reading of one logbook."""

    def __init__(self, reader: LogbookReader, pinned: tuple[VerifierKey, ...], progress: Progress | None) -> None:
        self._reader = reader
        self._connection = reader.connection
        self._pinned = pinned
        self._progress = progress
        self._faults = Faults()
        self._ended: bytes | None = None
        self._last_kind = b""
        self._owes_a_seal: int | None = None
        self._sessions = remarks.Sessions()

    def run(self) -> IntegrityReport:
        """The report."""
        with self._reader.snapshot(), ThreadPoolExecutor(HELPERS, "audit") as pool:
            structure = pool.submit(shape.check_structure, self._reader.path)
            shape.check_shape(self._connection, self._faults)
            first_leaf = self._first_leaf()
            name = logbook_id(first_leaf)
            signatures = SignatureCheck(name, self._pinned, self._faults)
            windows = Windows(self._connection, self._faults)
            tree = TreeCheck(self._connection, name, signatures, self._faults)
            size = self._pass(windows, tree)
            tree.finish()
            for since, entry in signatures.strangers:
                if not self._is_remark(since, entry):
                    signatures.refuse_stranger(since, entry)
            good = signatures.good(tree.disagreeing)
            self._check_bodies(good)
            if size < FEWEST_ENTRIES:
                self._faults.add(
                    Wrong.TAIL, "Its beginning is gone: a logbook starts with its job and its rules.", size + 1
                )
            self._check_tail(size)
            self._check_seal(size)
            self._tell_structure(structure.result())
        return self._report(name, size, windows, signatures, tree, good)

    def _first_leaf(self) -> bytes:
        try:
            row = self._connection.execute("SELECT leaf FROM entries WHERE number = 1").fetchone()
        except DATABASE_ERRORS:
            row = None
        return row[0] if row and isinstance(row[0], bytes) else b""

    def _pass(self, windows: Windows, tree: TreeCheck) -> int:
        total = self._reader.size
        size = 0
        for window in windows:
            tree.take(window)
            windows.check_index(window)
            self._check_end(window)
            size = window.last
            if self._progress and (size % PROGRESS_EVERY == 0 or size == total):
                self._progress(size, total)
        return size

    def _check_end(self, window: Window) -> None:
        for number, _, kind, body, _ in window.rows if self._ended else window.notable:
            if self._ended is not None and (self._ended == b"seal" or kind not in _AFTER_CLOSED):
                word = "sealed" if self._ended == b"seal" else "closed"
                self._faults.add(Wrong.AFTER_END, f"Added after the logbook was {word}: {{span}}.", number)
            if kind in (b"closed", b"seal"):
                self._ended = kind
                self._owes_a_seal = number if kind == b"closed" and _to_be_sealed(body) else None
            self._sessions.take(number, kind)
        if window.rows:
            self._last_kind = window.rows[-1][2]

    def _is_remark(self, since: int, checkpoint: int) -> bool:
        """Whether nothing but a remark (its writer's key, its note) stands between a checkpoint and the one before."""
        query = (
            "SELECT count(*) FROM entries WHERE number > ? AND number < ? AND kind <> 'operator' AND NOT "
            "(kind = 'note' AND CASE WHEN json_valid(body) THEN json_type(body, '$.about') IS 'integer' ELSE 0 END)"
        )
        try:
            return bool(self._connection.execute(query, (since, checkpoint)).fetchone() == (0,))
        except DATABASE_ERRORS:
            return False

    def _check_bodies(self, good: int) -> None:
        """Bodies that no checkpoint vouches for must at least be JSON objects; signed ones were made by a writer."""
        query = (
            "SELECT number FROM entries WHERE number > ? AND "
            "CASE WHEN json_valid(body) THEN json_type(body) <> 'object' ELSE 1 END ORDER BY number"
        )
        try:
            for (number,) in self._connection.execute(query, (good,)):
                self._faults.add(Wrong.JSON, "No JSON object: {span}.", number)
        except DATABASE_ERRORS:
            pass  # the same pages could not be read before, and were told of then

    def _check_tail(self, size: int) -> None:
        try:
            rows = self._connection.execute(
                "SELECT level, max(number), min(number) FROM tiles GROUP BY level"
            ).fetchall()
        except DATABASE_ERRORS as error:
            self._faults.add(Wrong.TILE, f"The stored tree hashes cannot be read ({error}).")
            return
        for level, highest, lowest in rows:
            if not 1 <= level <= TOP_LEVEL or lowest < 0:
                self._faults.add(Wrong.TILE, f"Tree hashes of a level {level} are stored, which no logbook has.")
            elif (last := (highest + 1) * TILE_LEAVES**level) > size:
                sentence = (
                    f"Cut off: {{span}} are gone. Their tree hashes are still there; the last entry left is {size}."
                )
                self._faults.add(Wrong.TAIL, sentence, size + 1, last)

    def _check_seal(self, size: int) -> None:
        """What was closed to be sealed ends with its seal: a writer puts both on the disk in one piece."""
        if self._owes_a_seal is not None:
            sentence = (
                f"The seal is missing: entry {self._owes_a_seal} closed the logbook to be sealed, and no seal follows. "
                "It was taken away, or a failing disk or a crash kept it from being stored."
            )
            self._faults.add(Wrong.TAIL, sentence, size + 1)

    def _tell_structure(self, lines: list[str]) -> None:
        known = not self._faults.empty
        for line in lines:
            more = "" if known else " Every entry can be read all the same and is as it was stored."
            self._faults.add(Wrong.STRUCTURE, f"SQLite finds the file damaged: {line}.{more}")

    def _report(
        self, name: str, size: int, windows: Windows, signatures: SignatureCheck, tree: TreeCheck, good: int
    ) -> IntegrityReport:
        checkpoints = tuple(signatures.checkpoints)
        left_wal = not self._reader.beside_writer and leftover.has_log(self._reader.path)
        return IntegrityReport(
            id=name,
            entries=size,
            kinds={kind.decode("utf-8", "replace"): count for kind, count in sorted(windows.kinds.items())},
            checkpoints=checkpoints,
            keys=tuple(signatures.keys),
            sealed=self._last_kind == b"seal" and bool(checkpoints) and checkpoints[-1].holds,
            head=tree.head,
            faults=self._faults.told(),
            remarks=tuple(remarks.remarks(size, good, checkpoints, signatures.keys, self._sessions, left_wal)),
        )
