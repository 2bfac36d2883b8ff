"""One writer to a logbook: who holds it, and how a holder that died is followed.

The operating system holds the lock and lets go of it when a process dies, so a lock can be stale only in what is
written beside it. `NAME.lock` is the lock, `NAME.held` says who has it; both go when the logbook is closed.
"""

from __future__ import annotations

import json
import os
import platform
from pathlib import Path
from typing import Any, Final

from filelock import FileLock, Timeout

from logger.clock import Clock, rfc3339
from logger.errors import LogbookUnusable
from logger.logbook.files import PRIVATE_MODE, beside
from logger.text import harmless

LOCK_WAIT_S: Final = 0.5
"""How long a writer waits for the lock, seconds: a reader that looks whether somebody writes holds it for a moment."""

HELD_BYTES_AT_MOST: Final = 4096
"""The holder's note is a line of JSON; anything longer is not ours."""


class WriterLock:
    """The right to write one logbook, held until `release`."""

    def __init__(self, path: Path, clock: Clock) -> None:
        """Take the lock of the logbook at `path`.

        Raises:
            LogbookUnusable: if another holds it (naming the holder), or the folder cannot be written to.
        """
        self._held = beside(path, ".held")
        self._lock = FileLock(beside(path, ".lock"), timeout=LOCK_WAIT_S, mode=PRIVATE_MODE, thread_local=False)
        try:
            self._lock.acquire()
            self._say_who(clock)
        except Timeout as error:
            raise _taken(path) from error
        except (OSError, NotImplementedError) as error:
            self._lock.release(force=True)
            raise LogbookUnusable(
                f"{path.parent} cannot be written to ({getattr(error, 'strerror', None) or error})",
                "a logbook needs a folder of this user to be recorded in; copy it to one",
            ) from error

    def _say_who(self, clock: Clock) -> None:
        holder = {"pid": os.getpid(), "host": platform.node(), "since": rfc3339(clock.utc())}
        handle = os.open(self._held, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, PRIVATE_MODE)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump(holder, file)

    def release(self) -> None:
        """Let go and clear away. Harmless when called again."""
        if not self._lock.is_locked:
            return
        self._held.unlink(missing_ok=True)
        # Unlinked while still held: whoever waits on this very file sees that its name is gone and starts over.
        try:
            Path(self._lock.lock_file).unlink(missing_ok=True)
        except PermissionError:  # Windows does not remove what is open
            pass
        self._lock.release(force=True)


def is_held(path: Path) -> bool:
    """Whether somebody writes to the logbook at `path` now. Leaves nothing behind and does not wait."""
    lock = beside(path, ".lock")
    if not lock.exists():
        return False
    probe = FileLock(lock, timeout=0, mode=PRIVATE_MODE, thread_local=False)
    try:
        probe.acquire()
    except Timeout:
        return True
    except (OSError, NotImplementedError):
        return False
    probe.release(force=True)
    return False


def holder(path: Path) -> dict[str, Any]:
    """What the holder wrote of itself: `pid`, `host`, `since`; empty where that cannot be read."""
    try:
        with beside(path, ".held").open(encoding="utf-8", errors="replace") as file:
            found = json.loads(file.read(HELD_BYTES_AT_MOST))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _taken(path: Path) -> LogbookUnusable:
    who = holder(path)
    named = ""
    if who:
        named = harmless(f" (process {who.get('pid')} on {who.get('host')}, since {who.get('since')})")
    return LogbookUnusable(f"{path} is being recorded by another program{named}", "close it there first")
