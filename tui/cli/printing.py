"""Events on their way to standard output, on a thread of their own: a slow reader does not hold the recorder up."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final

from tui.cli.output import complain, put

if TYPE_CHECKING:
    from logger.recorder.event import Event

WAITING_AT_MOST: Final = 200_000
"""Events kept for a reader that does not read: beyond that, printing stops and recording goes on."""


class Printer:
    """Prints in order. Give it events with `publish`; `finish` once there are no more.

    Args:
        line_of: an event as the line that is printed of it.
    """

    def __init__(self, line_of: Callable[[Event], str]) -> None:
        self._line_of = line_of
        self._events: queue.SimpleQueue[Event | None] = queue.SimpleQueue()
        self._broken: OSError | None = None
        self._gave_up = False
        self._thread = threading.Thread(target=self._run, name="printing", daemon=True)
        self._thread.start()

    def publish(self, events: Sequence[Event]) -> None:
        """Print these, soon.

        Raises:
            OSError: whoever listened is gone.
        """
        if self._broken is not None:
            raise self._broken
        if self._gave_up:
            return
        if self._events.qsize() > WAITING_AT_MOST:
            self._gave_up = True
            complain("Nobody reads the standard output: printing stops here. Recording goes on; see the logbook.")
            return
        for event in events:
            self._events.put(event)

    def finish(self, wait_s: float | None) -> None:
        """Wait until all is printed; at most `wait_s` seconds where that is given."""
        self._events.put(None)
        self._thread.join(wait_s)

    def _run(self) -> None:
        try:
            while (event := self._events.get()) is not None:
                put(self._line_of(event))
        except OSError as broken:
            self._broken = broken
