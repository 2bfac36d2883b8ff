"""What an audit says of one logbook: its findings, heaviest first, each leading to its entries."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from logger.text import harmless
from tui.audit_findings import FindingRow, rows_of
from tui.audit_run import audit_all
from tui.audit_trouble import trouble_words
from tui.screens.audit_entry import AuditEntry
from tui.screens.choose import Choice, Choose
from tui.widgets.words import content_of

if TYPE_CHECKING:
    from logger.clock import Clock

KEYS = "[Enter] open its entries   [q] go back"


class AuditFindings(ModalScreen[None]):
    """Runs the audit, off the event loop, and lists what it found."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("q,escape", "back", "go back")]

    def __init__(self, path: Path, clock: Clock, utc_offset_min: int) -> None:
        super().__init__(classes="sheet")
        self._path = path
        self._clock = clock
        self._utc_offset_min = utc_offset_min
        self._rows: tuple[FindingRow, ...] = ()
        self._left = threading.Event()

    def compose(self) -> ComposeResult:
        """Heading, list, keys."""
        with Vertical(classes="paper -whole"):
            yield Static("", classes="question", markup=False)
            yield OptionList(markup=False, compact=True)
            yield Static(Content(KEYS), classes="way-out", markup=False)

    def on_mount(self) -> None:
        """Begin."""
        self.query_one(OptionList).focus()
        self._say(f"{harmless(self._path.name, 60)} is being audited …")
        self._audit()

    def on_unmount(self) -> None:
        """Nobody waits for it any more."""
        self._left.set()

    def _say(self, text: str) -> None:
        self.query_one(".question", Static).update(Content(text))

    @work(exclusive=True, group="audit")
    async def _audit(self) -> None:
        loop = asyncio.get_running_loop()

        def show(done: int, total: int) -> None:
            if not self._left.is_set():
                loop.call_soon_threadsafe(self._progress, done, total)

        try:
            [audit] = await asyncio.to_thread(audit_all, [self._path], (), show, self._left.is_set)
        except Exception as error:  # a fault of ours must not take down what the app does beside
            self._say(trouble_words(error))
            return
        if self._left.is_set():
            return
        head, self._rows = rows_of(audit)
        self._say(head)
        listed = self.query_one(OptionList)
        listed.add_options([Option(content_of(row.lines)) for row in self._rows])
        listed.highlighted = 0 if self._rows else None

    def _progress(self, done: int, total: int) -> None:
        if self.is_mounted:
            self._say(f"{harmless(self._path.name, 60)} is being audited: {done * 100 // max(1, total)} %")

    @on(OptionList.OptionSelected)
    def _chosen(self, event: OptionList.OptionSelected) -> None:
        self._open(self._rows[event.option_index])

    @work(exclusive=True, group="open")
    async def _open(self, row: FindingRow) -> None:
        entry: str | None = str(row.entries[0]) if row.entries else None
        if len(row.entries) > 1:
            choices = [Choice(str(number), f"Entry {number}") for number in row.entries]
            entry = await self.app.push_screen_wait(Choose("Which of its entries?", choices))
        if entry is not None:
            self.app.push_screen(AuditEntry(self._path, int(entry), self._clock, self._utc_offset_min))

    def action_back(self) -> None:
        """Leave; what is under way ends by itself."""
        self.dismiss(None)
