"""Keeps the instrument book during a session: what it remembers is told with `ready`, what it learns is written down.

What was met before is read once, at the start; the file is written on a thread of its own, since another program may
hold it for a second, and no reading waits for a memory.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from drivers.roll import KEYED_SERIAL
from logger.recorder.event import Event
from tui.instrument_book import InstrumentBook, Known, take_note

CLOSE_WITHIN_S: Final = 2.0
"""How long the last writing may take when the session ends, seconds; then it is left behind."""


class BookKeeper:
    """The book of one session. `tell` is called on one thread."""

    def __init__(self, book: InstrumentBook) -> None:
        self._book = book
        self._known: dict[str, Known] = {}
        self._events: queue.Queue[Event | None] = queue.Queue()
        self._thread = threading.Thread(target=self._write, name="instrument book", daemon=True)

    def start(self) -> None:
        """Read what is remembered. Blocks for as long as a small file takes."""
        self._known = {known.serial: known for known in self._book.known()}
        self._thread.start()

    def tell(self, events: Sequence[Event]) -> Sequence[Event]:
        """The events, each `ready` with `remarks`: in a sentence each, what a person should know of that meter."""
        return [self._with_remarks(event) if event.name in {"ready", "proof"} else event for event in events]

    def close(self) -> None:
        """Write down what is still to be written."""
        if self._thread.is_alive():
            self._events.put(None)
            self._thread.join(CLOSE_WITHIN_S)

    def _with_remarks(self, event: Event) -> Event:
        if event.fields.get("serial") == KEYED_SERIAL:  # whoever keys without saying on which meter
            return event
        self._events.put(event)
        remarks = take_note(self._known, event)
        if event.name != "ready":
            return event
        trouble = [self._book.trouble] if self._book.trouble else []
        return replace(event, fields={**event.fields, "remarks": [*remarks, *trouble]})

    def _write(self) -> None:
        while (event := self._events.get()) is not None:
            self._book.take([event])
