"""A terminal that goes away, or a polite kill, ends the app as `quit` does, and ends it for certain.

A terminal that takes nothing any more holds the thread that draws for ever, and with it the event loop. So this
watches from a thread of its own: it asks the app to leave, and where that is not done in time it ends the session,
which lets go of the logbook, and then the process.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable
from types import FrameType
from typing import Final, Protocol

LOOK_EVERY_S: Final = 0.5
"""How often it is looked whether the terminal is still there, seconds."""

DRAW_WITHIN_S: Final = 5.0
"""How long the app may take to leave once it is asked to, seconds."""


class Leaver(Protocol):
    """What has to leave."""

    def leave_soon(self) -> None:
        """Ask the app to leave; from any thread, never blocks."""


class Watching:
    """Watches while the app runs: `with Watching(app, abandon): app.run()`.

    Args:
        abandon: called where the app does not leave in time: ends the session and returns the exit code.
        end: ends the process with that code.
    """

    def __init__(self, app: Leaver, abandon: Callable[[], int], end: Callable[[int], object] = os._exit) -> None:
        self._app = app
        self._abandon = abandon
        self._end = end
        self._asked = False
        self._left = threading.Event()
        self._had_terminal = is_terminal()
        self._thread = threading.Thread(target=self._watch, name="leaving", daemon=True)

    def __enter__(self) -> Watching:
        for name in ("SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), self._on_signal)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._left.set()

    def _on_signal(self, _number: int, _frame: FrameType | None) -> None:
        self._asked = True  # and no more: the thread that this interrupts may hold any lock

    def _watch(self) -> None:
        while not self._asked and not (self._had_terminal and not is_terminal()):
            if self._left.wait(LOOK_EVERY_S):
                return
        self._app.leave_soon()
        if not self._left.wait(DRAW_WITHIN_S):
            self._end(self._abandon())


def is_terminal() -> bool:
    """Whether the keys come from a terminal that is still there; a dropped line leaves one that is not."""
    try:
        return os.isatty(sys.stdin.fileno())
    except (OSError, ValueError):
        return False
