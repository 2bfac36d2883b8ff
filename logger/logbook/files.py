"""What a logbook needs of the file system beyond SQLite: names given without overwriting, folders synced or refused.

Everything here is a few system calls; tests record or fail them by replacing the functions of this module.
"""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path
from typing import Final

from logger.errors import LogbookUnusable

PRIVATE_MODE: Final = 0o600
"""Logbooks and what lies beside them are readable by their owner only."""

SHARED_SYSTEMS: Final = frozenset(
    {"nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "ncpfs", "9p", "afs", "ceph", "coda", "gfs2", "glusterfs"}
    | {"lustre", "ocfs2", "beegfs", "davfs", "vboxsf", "vmhgfs", "prl_fs", "drvfs", "virtiofs"}
)
"""File systems on which shared memory between processes, which write-ahead logging needs, cannot be relied on."""

LOCAL_FUSE: Final = frozenset({"fuseblk", "fuse.exfat", "fuse.ntfs", "fuse.ntfs-3g"})
"""User-space file systems that are still a disk of this machine. Every other `fuse.` one counts as shared."""

OWN_AT_ROOT: Final = frozenset({"9p", "virtiofs"})
"""Where the root itself is of such a kind, it is a sandbox's own disk and nobody else writes to it."""

SYNC_MARKERS: Final = (".stfolder", ".dropbox", ".dropbox.cache", ".owncloud", ".csync_journal.db", ".sync")
"""What programs that copy a folder elsewhere leave in it. They copy a file while it is being written, in pieces."""

MOUNTS: Final = Path("/proc/mounts")


def refuse_shared(folder: Path) -> None:
    """Refuse a folder on a network share or in a synchronised one.

    Raises:
        LogbookUnusable: with the way out.
    """
    point, system = mount_of(folder)
    is_shared = system in SHARED_SYSTEMS or (system.startswith("fuse.") and system not in LOCAL_FUSE)
    if is_shared and not (point == "/" and system in OWN_AT_ROOT):
        raise LogbookUnusable(
            f"{folder} is on a shared file system ({system}), where a logbook could be damaged while it is written",
            "work in a folder on this machine's own disk and copy the logbook over when it is closed",
        )
    for place in (folder, *folder.parents):
        if any((place / marker).exists() for marker in SYNC_MARKERS):
            raise LogbookUnusable(
                f"{place} is a synchronised folder, where a logbook could be copied half written",
                "work in a folder that is not synchronised and copy the logbook over when it is closed",
            )


def mount_of(folder: Path, mounts: Path | None = None) -> tuple[str, str]:
    """Where the file system of `folder` is mounted, and its type; both empty where that cannot be told."""
    where = str(folder)
    if sys.platform == "win32":
        return ("\\\\", "smb") if where.startswith("\\\\") else ("", "")
    try:
        table = (mounts or MOUNTS).read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return "", ""
    best, found = "", ""
    for line in table.splitlines():
        fields = line.split(" ")
        if len(fields) < 3:
            continue
        point = fields[1].encode("latin-1", "replace").decode("unicode_escape") if "\\" in fields[1] else fields[1]
        inside = where == point or where.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):
            best, found = point, fields[2]
    return best, found


def create_private(path: Path) -> None:
    """Make an empty file for its owner only.

    Raises:
        FileExistsError: if there is something of that name.
    """
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, PRIVATE_MODE))


def publish(draft: Path, path: Path) -> None:
    """Give the finished file its name, or fail: never over another file, never half.

    Raises:
        FileExistsError: if there is something of that name.
    """
    try:
        os.link(draft, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links; our writer lock on `path` keeps others of us out meanwhile
        if os.path.lexists(path):
            raise FileExistsError(path) from None
        draft.rename(path)
    else:
        remove(draft)


def remove(path: Path) -> None:
    """Take a name away, if it is there."""
    path.unlink(missing_ok=True)


def sync_file(path: Path) -> None:
    """Return when the file's bytes are on the disk."""
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Return when names made and removed in `folder` are on the disk (nothing to do on Windows)."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_again(path: Path, chunk_bytes: int = 1 << 20) -> None:
    """Write a file's own bytes over themselves and sync it.

    After a failed sync an operating system may hold pages as written that never reached the disk; a second sync would
    then succeed and prove nothing. Writing them again makes the sync mean what it says.
    """
    with path.open("r+b", buffering=0) as file:
        while data := file.read(chunk_bytes):
            file.seek(-len(data), os.SEEK_CUR)
            file.write(data)
        os.fsync(file.fileno())


def whole(path: str | Path) -> Path:
    """The path without detours, so that one logbook has one lock however it is called.

    Raises:
        LogbookUnusable: if it is no path.
    """
    try:
        path = Path(path)
        return path if path.is_symlink() and not path.exists() else path.resolve()
    except (OSError, ValueError, RuntimeError) as error:
        raise LogbookUnusable("That is not a file name", "name a logbook") from error


def identity(path: Path) -> tuple[int, int]:
    """What the file is, whatever it is called: device and inode."""
    status = path.stat()
    return status.st_dev, status.st_ino


def refuse_moved(path: Path, known: tuple[int, int]) -> None:
    """Raise OSError if the name no longer leads to the file that `identity` was taken of."""
    try:
        same = identity(path) == known
    except FileNotFoundError:
        same = False
    if not same:
        raise OSError(errno.ENOENT, "the file was moved, removed or replaced while it was being recorded; put it back")


def beside(path: Path, ending: str) -> Path:
    """The file of that name plus `ending`, such as `-wal`."""
    return path.with_name(path.name + ending)
