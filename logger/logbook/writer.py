"""The one way into a logbook: numbered, hashed, durable when `commit` returns.

`append` only takes an entry into memory and gives it its number; `commit` puts everything that waits on the disk in one
transaction. Nothing may be told to anybody before its commit. One process writes, over one connection that also folds
the write-ahead log in. `append` never waits for the disk, so it may be called on an event loop while another thread
commits.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from logger.clock import Clock, rfc3339
from logger.errors import LogbookUnusable, StorageFailed
from logger.logbook import connect, creation, files, handles, opening, recovery
from logger.logbook.entries import Kind, body_text
from logger.logbook.examine import examine
from logger.logbook.faults import DATABASE_ERRORS, opening_failed, storage_failed, why_not_written
from logger.logbook.keys import OperatorKey
from logger.logbook.lock import WriterLock
from logger.logbook.signing import Signing
from logger.logbook.tail import Batch, Tail, write_batch

ENDING: Final = (Kind.CLOSED, Kind.CHECKPOINT, Kind.SEAL)
"""What may be appended to a closed logbook."""

_WATCHED: Final = frozenset({Kind.CLOSED, Kind.CHECKPOINT, Kind.SEAL, Kind.OPERATOR})
"""Kinds that change what the writer itself knows."""


class Logbook:
    """A logbook open for recording."""

    def __init__(self, path: Path, clock: Clock, key: OperatorKey | None, lock: WriterLock) -> None:
        """Use `create` or `open`."""
        self.path = path
        self._clock = clock
        self._lock = lock
        opening.foresee(path)
        self._connection = connect.for_writing(path)
        self._inode = files.identity(path)
        handles.begin_writing(self._inode)
        try:
            state = opening.load(path, self._connection)
        except BaseException:
            self._let_go()
            raise
        self.id = state.id
        self._tail: Tail = Tail(state.tree)
        self._ended: Kind | None = None
        self._signing = Signing(state.id, key, state.vkeys, state.checkpoint_number, clock.mono_ns())
        self._committed = self._tail.size
        self._failure: StorageFailed | None = None
        self._fault_told = False
        self._closed = False
        self._memory = threading.RLock()
        """Guards numbers, tree and buffer; never held while the disk is waited for."""
        self._disk = threading.RLock()
        """Guards the connection. Taken before `_memory` where both are."""

    @classmethod
    def create(
        cls,
        path: str | Path,
        first: Sequence[tuple[Kind, Mapping[str, object]]],
        clock: Clock,
        key: OperatorKey | None = None,
    ) -> Self:
        """Start a logbook with its first entries (at least one), durable on return: none or complete, never half.

        Raises:
            LogbookUnusable: if the name is taken, the folder is shared or does not take files.
            StorageFailed: if the disk failed; nothing is left behind.
        """
        path = files.whole(path)
        creation.refuse_existing(path)
        files.refuse_shared(path.parent)
        lock = WriterLock(path, clock)
        try:
            creation.build(path, first, clock)
            return cls._opened(path, clock, key, lock, is_new=True)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def open(cls, path: str | Path, clock: Clock, key: OperatorKey | None = None) -> Self:
        """Go on with a logbook.

        Raises:
            LogbookUnusable: no logbook, closed, recorded by another, or in a folder that is shared.
            LogbookDamaged: if it is damaged so that nothing may be added.
        """
        path = files.whole(path)
        examine(path)
        files.refuse_shared(path.parent)
        lock = WriterLock(path, clock)
        try:
            creation.finish(path)
            return cls._opened(path, clock, key, lock)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def _opened(cls, path: Path, clock: Clock, key: OperatorKey | None, lock: WriterLock, is_new: bool = False) -> Self:
        try:
            return cls(path, clock, key, lock)
        except DATABASE_ERRORS as error:
            if is_new:
                creation.withdraw(path)
            raise opening_failed(path, error) from error

    @property
    def size(self) -> int:
        """Number of the newest entry, waiting ones included."""
        return self._tail.size

    @property
    def committed(self) -> int:
        """Number of the newest entry that is durable."""
        return self._committed

    @property
    def failure(self) -> StorageFailed | None:
        """Why nothing is being written at the moment; None while all is well."""
        return self._failure

    def append(self, kind: Kind, body: Mapping[str, object], at: str | None = None) -> int:
        """Take one entry into memory; durable only after `commit`. Returns its number, which is final.

        A checkpoint that is overdue by count is put before it, so that numbers may be skipped between two calls.

        Args:
            kind: its kind.
            body: JSON-able; decimals as text.
            at: UTC, RFC 3339; now, where None.

        Raises:
            LogbookUnusable: if the logbook was closed or sealed.
            StorageFailed: if too much waits in memory already; the entry was not taken.
        """
        text = body_text(body)
        with self._memory:
            if self._ended and (self._ended is Kind.SEAL or kind not in ENDING):
                raise LogbookUnusable(f"{self.path} is closed", "nothing is added to a closed logbook")
            if self._tail.tree.size >= self._signing.overdue_at and not self._ended:
                self._sign(Kind.CHECKPOINT)
            return self._take(kind, body, text, at)

    def _take(self, kind: Kind, body: Mapping[str, object], text: str = "", at: str | None = None) -> int:
        number = self._tail.append(at or rfc3339(self._clock.utc()), kind.value, text or body_text(body))
        if kind in _WATCHED:
            self._signing.seen(number, kind, body, self._clock.mono_ns())
            if kind in (Kind.CLOSED, Kind.SEAL):
                self._ended = kind
        return number

    def commit(self) -> None:
        """Make everything appended so far durable. Does no I/O when nothing waits.

        Raises:
            StorageFailed: if the disk did not take it. The entries wait in memory, unconfirmed; nothing is written
                until `recover` succeeds, since repeating a commit that failed proves nothing.
        """
        with self._disk:
            if self._failure:
                raise self._failure
            with self._memory:
                batch = self._tail.take()
            if not batch.rows:
                return
            try:
                files.refuse_moved(self.path, self._inode)
                write_batch(self._connection, batch)
            except BaseException as error:  # an interrupt, too, must not lose what waits
                with self._memory:
                    self._tail.give_back(batch)
                if not isinstance(error, sqlite3.Error | OSError):
                    raise
                self._failure = storage_failed(self.path, error)
                raise self._failure from error
            self._committed = batch.rows[-1][0]

    def recover(self) -> None:
        """After a failed commit: open the file anew, compare it with what waits, write what is missing under its own
        numbers with a `storage-fault` entry that names it (none where the seal waits already), and commit. Does nothing
        when nothing failed.

        Raises:
            StorageFailed: if the disk still does not take it; everything waits on.
            LogbookDamaged: if the file no longer holds what was confirmed, or holds something else.
        """
        with self._disk:
            if not self._failure:
                return
            why, _ = why_not_written(self._failure.__cause__)
            try:
                files.refuse_moved(self.path, self._inode)
                self._connection = recovery.reopen(self.path, self._connection)
                on_disk = opening.size_of(self._connection)
                with self._memory:
                    recovery.compare(self.path, self._connection, self._committed, on_disk, self._tail.waiting.rows)
                    self._tell_fault(on_disk, why)
                    batch = self._tail.take()
                self._write_missing(batch, on_disk)
            except (sqlite3.Error, OSError) as error:
                self._failure = storage_failed(self.path, error)
                raise self._failure from error
            self._committed = batch.rows[-1][0] if batch.rows else on_disk
            self._failure, self._fault_told = None, False

    def _write_missing(self, batch: Batch, on_disk: int) -> None:
        try:
            missing = [row for row in batch.rows if row[0] > on_disk]
            write_batch(self._connection, Batch(missing, batch.tiles))
        except BaseException:
            with self._memory:
                self._tail.give_back(batch)
            raise

    def _tell_fault(self, on_disk: int, why: str) -> None:
        if not self._fault_told and self._ended is not Kind.SEAL:  # after the seal nothing may stand
            body = recovery.fault_body(why, self._committed, on_disk, self._tail.size)
            self._tail.append(rfc3339(self._clock.utc()), Kind.STORAGE_FAULT.value, body_text(body), bounded=False)
            self._fault_told = True

    def checkpoint_due(self, now_ns: int) -> bool:
        """Whether a checkpoint should be made now (host's monotonic time, nanoseconds). Never without a key."""
        return not self._ended and self._signing.is_due(self._tail.size, now_ns)

    def checkpoint(self) -> int | None:
        """Sign the head of the tree over everything appended so far, as an entry of its own. Durable after `commit`.

        An `operator` entry with the key comes before the first checkpoint that it signs.

        Returns:
            The entry's number; None without a key.

        Raises:
            LogbookUnusable: if the logbook is sealed.
        """
        return None if self._signing.key is None else self._sign(Kind.CHECKPOINT)

    def seal(self) -> int:
        """End the logbook with a last checkpoint, durable on return. Nothing can be added afterwards.

        Raises:
            LogbookUnusable: if it is sealed already, or there is no key to seal it with.
            StorageFailed: as `commit`.
        """
        if self._signing.key is None:
            raise LogbookUnusable(
                f"{self.path} cannot be sealed without a signing key", "open it with the operator's key"
            )
        number = self._sign(Kind.SEAL)
        self.commit()
        return number

    def _sign(self, kind: Kind) -> int:
        with self._memory:
            if self._ended is Kind.SEAL:
                raise LogbookUnusable(f"{self.path} is sealed", "nothing is added to a sealed logbook")
            self._introduce()
            return self._take(kind, self._signing.checkpoint(self._tail.size, self._tail.tree.head()))

    def _introduce(self) -> None:
        introduction = self._signing.introduction()
        if introduction is not None:
            self._take(Kind.OPERATOR, introduction)

    def remark(self, body: Mapping[str, object]) -> tuple[int, int]:
        """Add a `note` with a checkpoint directly after it, so that its writer's key signs it; that key is introduced
        before, where it is not known yet. Durable after `commit`.

        Returns:
            Number of the note and of its checkpoint.

        Raises:
            LogbookUnusable: if the logbook was closed or sealed, or there is no key.
        """
        with self._memory:
            if self._ended is not None:
                raise LogbookUnusable(f"{self.path} is closed", "nothing is added to a closed logbook")
            if self._signing.key is None:
                raise LogbookUnusable("A remark cannot stand without a signing key", "open it with one's own key")
            self._introduce()
            return self._take(Kind.NOTE, body), self._sign(Kind.CHECKPOINT)

    def change_key(self, new: OperatorKey) -> int:
        """From here on `new` signs. Where there was a key, it vouches for the new one: the entry is signed by both.

        Returns:
            Number of the `operator` entry, durable after `commit`.
        """
        with self._memory:
            self._introduce()
            return self._take(Kind.OPERATOR, self._signing.change(new))

    def close(self) -> None:
        """Commit what waits, fold the write-ahead log into the file, and let go. Harmless when called again.

        Raises:
            StorageFailed: if entries could not be stored, and are lost when the process ends. The file is let go of
                all the same.
        """
        with self._disk:
            if self._closed:
                return
            self._closed = True
            try:
                self.recover()
                self.commit()
            finally:
                recovery.fold(self._connection)
                self._let_go()
                self._lock.release()

    def _let_go(self) -> None:
        recovery.shut(self._connection)
        handles.end_writing(self._inode)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
