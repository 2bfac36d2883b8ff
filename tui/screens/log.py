"""The log: every entry in its order, the newest first, each openable down to its raw bytes.

Read from the file itself, a page at a time and off the event loop, so that a long log costs no more than a short one.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from logger.errors import ZerofirstError
from logger.logbook.entries import BULK_KINDS, Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.text import harmless
from tui.cli.show import entry_lines, entry_record
from tui.history import EVENT_OF
from tui.present import local_time, sentence
from tui.screens.page import Page
from tui.view import plain

if TYPE_CHECKING:
    from logger.clock import Clock

PAGE_ENTRIES: Final = 200
"""Entries a page, a count: more than a screen holds, few enough to draw at once."""

BULK: Final = frozenset(BULK_KINDS)


class Log(ModalScreen[None]):
    """Pages through a logbook's entries."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q,escape", "back", "go back"),
        Binding("r", "readings", "with or without readings"),
        Binding("o", "page(-1)", "older"),
        Binding("n", "page(1)", "newer"),
        Binding("a", "audit", "audit"),
    ]

    def __init__(self, path: Path, utc_offset_min: int, clock: Clock) -> None:
        super().__init__(classes="sheet")
        self._path = path
        self._clock = clock
        self._utc_offset_min = utc_offset_min
        self._all = True
        self._last: int | None = None
        self._numbers: list[int] = []

    def compose(self) -> ComposeResult:
        """Heading, list, keys."""
        with Vertical(classes="paper -whole"):
            yield Static("", classes="question", markup=False)
            yield OptionList(markup=False, compact=True)
            yield Static(
                Content("[Enter] open  [o] older  [n] newer  [r] readings  [a] audit  [q] go back"),
                classes="way-out",
                markup=False,
            )

    def on_mount(self) -> None:
        """Show the newest page."""
        self.query_one(OptionList).focus()
        self._load()

    def action_readings(self) -> None:
        """Show or leave out readings and raw bytes."""
        self._all = not self._all
        self._last = None
        self._load()

    def action_page(self, by: int) -> None:
        """Older or newer entries."""
        if by < 0 and self._numbers and self._numbers[-1] > 1:
            self._last = self._numbers[-1] - 1
        elif by > 0:
            self._last = None if self._last is None else self._last + PAGE_ENTRIES
        self._load()

    def action_audit(self) -> None:
        """Look into it as an auditor does."""
        from tui.screens.audit import Audit

        self.app.push_screen(Audit(self._path, self._clock))

    def action_back(self) -> None:
        """Leave."""
        self.dismiss(None)

    @on(OptionList.OptionSelected)
    def _open(self, event: OptionList.OptionSelected) -> None:
        if event.option_index < len(self._numbers):
            self._show_entry(self._numbers[event.option_index])

    @work(exclusive=True, group="log")
    async def _load(self) -> None:
        try:
            entries, size = await asyncio.to_thread(self._read_page)
        except ZerofirstError as error:
            self.query_one(".question", Static).update(Content(harmless(str(error), 400)))
            return
        self._numbers = [entry.number for entry in entries]
        listed = self.query_one(OptionList)
        listed.clear_options()
        listed.add_options([Option(Content(self._row(entry))) for entry in entries])
        listed.highlighted = 0 if entries else None
        what = "every entry" if self._all else "without readings and raw bytes"
        span = f"{entries[-1].number} to {entries[0].number}" if entries else "none"
        self.query_one(".question", Static).update(f"The log: entries {span} of {size}, {what}")

    def _read_page(self) -> tuple[list[Entry], int]:
        with LogbookReader.open(self._path) as reader:
            size = reader.size
            last = size if self._last is None else min(self._last, size)
            if self._all:
                found = list(reader.entries(first=max(1, last - PAGE_ENTRIES + 1), last=last))
            else:
                kinds = [kind for kind in Kind if kind not in BULK]
                found = list(reader.entries(first=1, last=last, kinds=kinds))[-PAGE_ENTRIES:]
        return found[::-1], size

    def _row(self, entry: Entry) -> str:
        time = local_time(entry.at, self._utc_offset_min)
        return f"{entry.number:>7}  {time}  {self._words(entry)}"

    def _words(self, entry: Entry) -> str:
        event = EVENT_OF.get(entry.kind)
        if event is not None:
            return harmless(sentence(event, entry.data).split("\n", 1)[0], 160)
        if entry.kind == Kind.RAW:
            return f"{len(str(entry.data.get('data', ''))) * 3 // 4} bytes as they came"
        return f"({harmless(entry.kind, 24)})"

    @work(exclusive=True, group="entry")
    async def _show_entry(self, number: int) -> None:
        try:
            lines = await asyncio.to_thread(self._read_entry, number)
        except ZerofirstError as error:
            lines = [harmless(str(error), 400)]
        self.app.push_screen(Page(f"Entry {number}", tuple(plain(line) for line in lines)))

    def _read_entry(self, number: int) -> list[str]:
        with LogbookReader.open(self._path) as reader:
            return list(entry_lines(entry_record(reader, number)))[:LINES_AT_MOST]


LINES_AT_MOST: Final = 2_000
"""Longest entry shown, lines: 32 kB of raw bytes; `zerofirst show` has it whole."""
