"""Power cuts and failing disks for a logbook, without a machine to unplug.

The project's own code runs over a connection that stands in for `sqlite3`'s and goes through a VFS in Python. The VFS
writes down every operation and can make the Nth one fail. `image` builds what a disk may hold if the power goes at
operation k.

The model. Content: what was synced is whole; of what was not, any subset, the pieces torn at 512 bytes. Names (made,
removed, linked): `strict` knows only what a sync of the folder made durable, any subset of the rest; `ordered` is a
journaling file system, where a sync of any file carries the names before it, and of the rest a first part. A journal
or log that SQLite makes becomes durable with its own first sync, since SQLite syncs the folder then; nothing else is
granted by that.
"""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal
from unittest.mock import patch
from urllib.parse import unquote, urlsplit

import apsw

from logger.logbook import connect, files

VFS_NAME = "recording"
SECTOR_BYTES = 512
SMALL_AUTOCHECKPOINT_PAGES = 12
"""So that the log is folded in several times within a short script."""

Model = Literal["strict", "ordered"]


@dataclass(frozen=True, slots=True)
class Op:
    """One operation. `verb`: create, write, truncate, sync, remove, link, folder, or `said` (nothing is done)."""

    verb: str
    name: str = ""
    at: int = 0
    data: bytes = b""
    other: str = ""


class DiskFault(Exception):
    """What an operation outside SQLite fails with in the end is OSError; this names the plan."""


@dataclass
class Disk:
    """Everything that was done to the disk, and which operation is to fail."""

    log: list[Op] = field(default_factory=list)
    count: int = 0
    fail_at: int | None = None
    sticky: bool = False
    full: bool = False
    failed: int = 0

    def step(self, op: Op) -> None:
        """Write the operation down, or fail instead of it."""
        self.count += 1
        if self.fail_at is not None and (self.count == self.fail_at or (self.sticky and self.count > self.fail_at)):
            self.failed += 1
            raise apsw.FullError("injected") if self.full else apsw.IOError("injected")
        self.log.append(op)

    def said(self, number: int) -> None:
        """Entries up to `number` were confirmed to somebody."""
        self.log.append(Op("said", at=number))


DISK = Disk()


class _File(apsw.VFSFile):
    def __init__(self, name: Any, flags: list[int]) -> None:
        path = name.filename() if isinstance(name, apsw.URIFilename) else name
        self._name = Path(path).name if path else ""
        is_new = bool(path) and not Path(path).exists()
        if is_new and flags[0] & apsw.SQLITE_OPEN_CREATE:
            DISK.step(Op("create", self._name))
        super().__init__("", name, flags)

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802 - SQLite's name
        DISK.step(Op("write", self._name, offset, bytes(data)))
        super().xWrite(data, offset)

    def xSync(self, flags: int) -> None:  # noqa: N802
        DISK.step(Op("sync", self._name))
        super().xSync(flags)

    def xTruncate(self, size: int) -> None:  # noqa: N802
        DISK.step(Op("truncate", self._name, size))
        super().xTruncate(size)


class _Vfs(apsw.VFS):
    def __init__(self) -> None:
        super().__init__(VFS_NAME, "")

    def xOpen(self, name: Any, flags: list[int]) -> _File:  # noqa: N802
        return _File(name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:  # noqa: N802
        DISK.step(Op("remove", Path(filename).name))
        if syncdir:
            DISK.step(Op("folder"))
        super().xDelete(filename, syncdir)


_VFS = _Vfs()


class StandInCursor:
    """The part of a `sqlite3` cursor that the project and sqlite_utils use. Everything is fetched at once."""

    def __init__(self, cursor: Any, sql: str, values: Any) -> None:
        described: list[Any] = []

        def note(running: Any, _sql: str, _values: Any) -> bool:
            described.append(running.get_description())  # APSW forgets it with the last row
            return True

        cursor.exec_trace = note
        self._rows: list[tuple[Any, ...]] = _translated(lambda: list(map(tuple, cursor.execute(sql, values or None))))
        self.description = described[-1] if described else None
        self.rowcount = -1
        self.lastrowid = None

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        return iter(self._rows)

    def fetchone(self) -> tuple[Any, ...] | None:
        return self._rows[0] if self._rows else None

    def fetchall(self) -> list[tuple[Any, ...]]:
        return self._rows


class StandIn:
    """An APSW connection that behaves as `sqlite3.Connection` does where the project uses it."""

    isolation_level = None

    def __init__(self, uri: str) -> None:
        if "mode=rw" in uri:
            self._connection = _translated(
                lambda: apsw.Connection(unquote(urlsplit(uri).path), flags=apsw.SQLITE_OPEN_READWRITE, vfs=VFS_NAME)
            )
        else:  # reading touches no disk that could fail here
            flags = apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI
            self._connection = _translated(lambda: apsw.Connection(uri, flags=flags))
        self.execute(f"PRAGMA busy_timeout = {connect.BUSY_WAIT_MS}")
        self.execute(f"PRAGMA wal_autocheckpoint = {SMALL_AUTOCHECKPOINT_PAGES}")

    @property
    def in_transaction(self) -> bool:
        return bool(self._connection.in_transaction)

    def execute(self, sql: str, values: Any = ()) -> StandInCursor:
        return StandInCursor(self._connection.cursor(), sql, values)

    def executemany(self, sql: str, rows: Sequence[Any]) -> None:
        _translated(lambda: self._connection.cursor().executemany(sql, rows))

    def cursor(self) -> StandIn:
        return self

    def close(self) -> None:
        _translated(self._connection.close)


def _translated(call: Callable[[], Any]) -> Any:
    try:
        return call()
    except apsw.Error as error:
        name = f"SQLITE_{type(error).__name__.removesuffix('Error').upper()}".replace("SQLITE_IO", "SQLITE_IOERR")
        constraint = isinstance(error, apsw.ConstraintError)
        wrapped = (sqlite3.IntegrityError if constraint else sqlite3.OperationalError)(str(error))
        wrapped.sqlite_errorname = name
        raise wrapped from error


def _failing(op: Op) -> None:
    try:
        DISK.step(op)
    except apsw.Error as error:
        raise OSError(28 if DISK.full else 5, "injected") from error


@contextmanager
def simulated(disk: Disk) -> Iterator[Disk]:
    """Inside, the project works on `disk`."""
    global DISK
    before, DISK = DISK, disk
    real = {name: getattr(files, name) for name in ("create_private", "publish", "remove", "sync_file", "sync_folder")}

    def noted(name: str, *ops: Callable[..., Op]) -> Callable[..., None]:
        def run(*paths: Path) -> None:
            for op in ops:
                _failing(op(*paths))
            real[name](*paths)

        return run

    def remove(path: Path) -> None:
        if path.exists():  # a disk that takes no more bytes still lets a name go
            DISK.log.append(Op("remove", path.name))
        path.unlink(missing_ok=True)

    def publish(draft: Path, path: Path) -> None:
        _failing(Op("link", draft.name, other=path.name))
        path.hardlink_to(draft)
        remove(draft)

    stand_ins: dict[str, Any] = {
        "create_private": noted("create_private", lambda path: Op("create", path.name)),
        "publish": publish,
        "remove": remove,
        "sync_file": noted("sync_file", lambda path: Op("sync", path.name)),
        "sync_folder": noted("sync_folder", lambda _: Op("folder")),
    }
    with patch.multiple(files, **stand_ins), patch.object(connect, "connect", StandIn):
        try:
            yield disk
        finally:
            DISK = before


def confirmed_by(log: Sequence[Op], k: int) -> int:
    """How many entries had been confirmed when operation k was about to happen."""
    return max((op.at for op in log[:k] if op.verb == "said"), default=0)


def image(log: Sequence[Op], k: int, rng: random.Random, model: Model) -> dict[str, bytes]:
    """The files as they may be found if the power went before operation k."""
    state = _State(model)
    for op in log[:k]:
        state.take(op)
    return state.cut(rng)


class _State:
    def __init__(self, model: Model) -> None:
        self._ordered = model == "ordered"
        self._inode_of: dict[str, int] = {}
        self._contents: list[bytearray] = []
        self._unsynced: list[list[Op]] = []
        self._names: dict[str, int] = {}
        self._unsynced_names: list[tuple[str, int | None]] = []
        self._own_sync: set[int] = set()

    def take(self, op: Op) -> None:
        if op.verb == "create":
            self._contents.append(bytearray())
            self._unsynced.append([])
            self._name(op.name, len(self._contents) - 1)
            if op.name.endswith(("-wal", "-journal")):
                self._own_sync.add(self._inode_of[op.name])
        elif op.verb == "link":
            self._name(op.other, self._inode_of[op.name])
        elif op.verb == "remove":
            self._name(op.name, None)
        elif op.verb == "folder":
            self._settle_names(len(self._unsynced_names))
        elif op.verb == "sync":
            self._sync(self._inode_of[op.name])
        elif op.verb != "said":
            self._unsynced[self._inode_of[op.name]].append(op)

    def _name(self, name: str, inode: int | None) -> None:
        if inode is None:
            self._inode_of.pop(name, None)
        else:
            self._inode_of[name] = inode
        self._unsynced_names.append((name, inode))

    def _sync(self, inode: int) -> None:
        for op in self._unsynced[inode]:
            _apply(self._contents[inode], op, op.data)
        self._unsynced[inode] = []
        if self._ordered:
            self._settle_names(len(self._unsynced_names))
        elif inode in self._own_sync:
            mine = {name for name, known in self._unsynced_names if known == inode}
            self._unsynced_names = [each for each in self._unsynced_names if each[0] not in mine]
            for name in mine:
                self._rename(name, inode)

    def _settle_names(self, count: int) -> None:
        for name, inode in self._unsynced_names[:count]:
            self._rename(name, inode)
        del self._unsynced_names[:count]

    def _rename(self, name: str, inode: int | None) -> None:
        if inode is None:
            self._names.pop(name, None)
        else:
            self._names[name] = inode

    def cut(self, rng: random.Random) -> dict[str, bytes]:
        kept = rng.randrange(len(self._unsynced_names) + 1) if self._ordered else 0
        for position, (name, inode) in enumerate(self._unsynced_names):
            if position < kept if self._ordered else rng.random() < 0.5:
                self._rename(name, inode)
        found = {}
        for name, inode in self._names.items():
            content = bytearray(self._contents[inode])
            for op in self._unsynced[inode]:
                if rng.random() < 0.5:
                    torn = op.verb == "write" and len(op.data) > SECTOR_BYTES and rng.random() < 0.3
                    sectors = rng.randrange(1, -(-len(op.data) // SECTOR_BYTES)) if torn else 0
                    _apply(content, op, op.data[: SECTOR_BYTES * sectors] if torn else op.data)
            found[name] = bytes(content)
        return found


def _apply(content: bytearray, op: Op, data: bytes) -> None:
    if op.verb == "truncate":
        del content[op.at :]
        return
    if len(content) < op.at:
        content.extend(bytes(op.at - len(content)))
    content[op.at : op.at + len(data)] = data
