"""Which logbooks this process writes. On POSIX a process that closes any handle of a file loses every lock it has on
that file.

SQLite takes care of its own connections, but not of a plain `open` or of a reader without locks beside a writer in the
same process. So those ask here first: nothing but SQLite opens a file that is being written, and a reader without
locks is let go of only when the writer is.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

Identity = tuple[int, int]
"""Device and inode."""

_lock = threading.Lock()
_written: dict[Identity, list[Callable[[], None]]] = {}
"""Files being written, each with what is to be closed after its writer."""


def begin_writing(identity: Identity) -> None:
    """This process now holds locks on the file."""
    with _lock:
        _written.setdefault(identity, [])


def end_writing(identity: Identity) -> None:
    """The writer has closed: close what waited for that."""
    with _lock:
        waiting = _written.pop(identity, [])
    for close in waiting:
        close()


def is_written_here(identity: Identity) -> bool:
    """Whether this process holds locks on the file."""
    with _lock:
        return identity in _written


def close_harmlessly(identity: Identity, close: Callable[[], None]) -> None:
    """Close a handle that SQLite does not know of, now or after the writer in this process."""
    with _lock:
        if identity in _written:
            _written[identity].append(close)
            return
    close()
