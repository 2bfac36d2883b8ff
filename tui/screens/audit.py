"""The auditor's screen: a logbook's readings and results by the words that fit them; each opened; what an audit says.

It reads the file and changes no byte of it. What is searched is searched off the event loop, and shown as it comes.
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
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option
from textual.worker import get_current_worker

from logger.audit.sift_words import Understood, Vocabulary
from logger.text import harmless
from tui.audit_book import AuditBook, Found, find, open_book
from tui.audit_trouble import trouble_words
from tui.screens.audit_entry import AuditEntry
from tui.screens.audit_findings import AuditFindings

if TYPE_CHECKING:
    from logger.clock import Clock

HINT: Final = "an item, a test, turned away, in doubt, a reason, 400 to 900"
KEYS: Final = "[Enter] open  [/] find  [o] older  [n] newest  [f] findings  [q] go back"


class Audit(ModalScreen[None]):
    """A list of what fits the words, newest first."""

    DEFAULT_CSS = """
    Audit #find { margin: 0; }
    Audit #fits { width: 100%; height: auto; color: $faint; margin: 0 0 1 0; }
    Audit OptionList { text-wrap: nowrap; text-overflow: ellipsis; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q,escape", "back", "go back"),
        Binding("slash", "words", "find"),
        Binding("o", "older", "older"),
        Binding("n", "newest", "newest"),
        Binding("f", "findings", "findings"),
    ]

    def __init__(self, path: Path, clock: Clock) -> None:
        super().__init__(classes="sheet")
        self._path = path
        self._clock = clock
        self._book: AuditBook | None = None
        self._understood: Understood = Vocabulary(None).understand("")
        self._below: int | None = None
        self._found = Found((), 0, done=False)

    def compose(self) -> ComposeResult:
        """Heading, words, what they mean, list, keys."""
        with Vertical(classes="paper -whole"):
            yield Static("", classes="question", markup=False)
            yield Input(placeholder=HINT, compact=True, id="find")
            yield Static("", id="fits", markup=False)
            yield OptionList(markup=False, compact=True)
            yield Static(Content(KEYS), classes="way-out", markup=False)

    def on_mount(self) -> None:
        """Everything, the newest first."""
        self.query_one(OptionList).focus()
        self._open_book()

    @work(exclusive=True, group="book")
    async def _open_book(self) -> None:
        try:
            self._book = await asyncio.to_thread(open_book, self._path)
        except Exception as error:  # a fault of ours must not take down what the app does beside
            self.query_one(".question", Static).update(Content(trouble_words(error)))
            self.query_one("#fits", Static).update("[f] says what can still be read of it.")
            return
        self.query_one(".question", Static).update(Content(self._book.heading))
        self._understand(self.query_one(Input).value)

    @on(Input.Changed)
    def _typed(self, event: Input.Changed) -> None:
        self._understand(event.value)

    def _understand(self, typed: str) -> None:
        if self._book is not None:
            self._understood = self._book.vocabulary.understand(typed)
            self._look(None)

    def _look(self, below: int | None) -> None:
        self._below = below
        self._show(Found((), below or (self._book.size + 1 if self._book else 0), done=False))
        self._search()

    @work(thread=True, exclusive=True, group="search")
    def _search(self) -> None:
        worker, book = get_current_worker(), self._book
        assert book is not None

        def told(found: Found) -> None:
            if not worker.is_cancelled:
                self.app.call_from_thread(self._came, found, wanted)

        wanted = self._understood.wanted
        try:
            find(book, wanted, self._below, told, lambda: worker.is_cancelled)
        except Exception as error:  # likewise
            if not worker.is_cancelled:
                self.app.call_from_thread(self._failed, trouble_words(error))

    def _failed(self, why: str) -> None:
        self.query_one("#fits", Static).update(Content(why))

    def _came(self, found: Found, wanted: object) -> None:
        if self.is_mounted and wanted == self._understood.wanted:
            self._show(found)

    def _show(self, found: Found) -> None:
        """What is new of it goes to the end of the list."""
        listed = self.query_one(OptionList)
        shown = len(self._found.rows)
        if not found.rows or found.rows[:shown] != self._found.rows:
            listed.clear_options()
            shown = 0
        listed.add_options([Option(Content(row)) for _, row in found.rows[shown:]])
        self._found = found
        if listed.highlighted is None and found.rows:
            listed.highlighted = 0
        self.query_one("#fits", Static).update(Content(self._fits()))

    def _fits(self) -> str:
        found, understood = self._found, self._understood
        count = len(found.rows)
        reached = found.down_to <= understood.wanted.first or not understood.wanted.possible_kinds
        how_far = "all" if found.done and reached and self._below is None else f"back to entry {found.down_to}"
        going_on = "" if found.done else ", looking on"
        more = "; [o] older" if found.done and not reached else ""
        said = f"{harmless(understood.sentence, 200)}: {count or 'none'} ({how_far}{going_on}{more})"
        if understood.unfinished:
            said += f" · “{harmless(understood.unfinished, 40)}” may still mean several things"
        if understood.unknown:
            said += f" · not known here: {harmless(', '.join(understood.unknown), 80)}"
        return said

    def action_words(self) -> None:
        """Type what is wanted."""
        self.query_one(Input).focus()

    @on(Input.Submitted)
    def _words_done(self) -> None:
        self.query_one(OptionList).focus()

    def key_down(self) -> None:
        """Out of the words into the list."""
        if isinstance(self.focused, Input):
            self.query_one(OptionList).focus()

    def action_older(self) -> None:
        """The page before."""
        found = self._found
        if found.done and found.down_to > self._understood.wanted.first:
            self._look(found.down_to)

    def action_newest(self) -> None:
        """The newest page, with what was recorded meanwhile."""
        self._open_book()

    def action_findings(self) -> None:
        """What an audit says of it."""
        offset = self._book.utc_offset_min if self._book else 0
        self.app.push_screen(AuditFindings(self._path, self._clock, offset))

    def action_back(self) -> None:
        """Out of the words first, then out of the screen."""
        if isinstance(self.focused, Input):
            self.query_one(OptionList).focus()
        else:
            self.dismiss(None)

    @on(OptionList.OptionSelected)
    def _open(self, event: OptionList.OptionSelected) -> None:
        if self._book is not None and event.option_index < len(self._found.rows):
            number = self._found.rows[event.option_index][0]
            self.app.push_screen(AuditEntry(self._path, number, self._clock, self._book.utc_offset_min))
