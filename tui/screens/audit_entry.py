"""An entry opened: what it says, where it leads, its bytes as hex and as what they read as, and all its fields.

One screen for a whole trail: a digit follows a link, `b` comes back along it.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.events import Click, Resize
from textual.message import Message
from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Static

from logger.audit.trail import Link
from logger.text import harmless
from tui.audit_bytes import byte_lines
from tui.audit_entry import OpenedEntry, open_entry, remark_lines, trouble_lines
from tui.audit_trouble import trouble_words
from tui.screens.audit_remark import ask_remark
from tui.view import Lines, Weight, Words, faint, plain
from tui.widgets.words import content_of, line_content

if TYPE_CHECKING:
    from logger.clock import Clock

BY_DIGIT: Final = 9
"""So many links have a key of their own; all can be reached by Tab, and clicked."""

AROUND_COLUMNS: Final = 5
"""What the paper's edge and the scroll bar take of the width, columns."""

ROLE_COLUMNS: Final = 19
KEYS: Final = "[1…9] follow  [b] one step back  [w] remark  [q] go back  arrows scroll"


class LinkRow(Horizontal, can_focus=True):
    """One link. Enter or a click follows it."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "follow", "follow")]

    class Followed(Message):
        """Somebody wants to go there."""

        def __init__(self, entry: int) -> None:
            super().__init__()
            self.entry = entry

    def __init__(self, link: Link, digit: str) -> None:
        super().__init__()
        self._link = link
        self._digit = digit

    def compose(self) -> ComposeResult:
        """Digit and role on the left, the entry on the right: it wraps under itself."""
        role = harmless(self._link.role, ROLE_COLUMNS)
        left = (Words(f"{self._digit:>2} ", Weight.STRONG), Words(role, Weight.FAINT))
        yield Static(line_content(left), classes="role", markup=False)
        yield Static(
            Content(f"entry {self._link.entry}: {harmless(self._link.sentence, 400)}"), classes="to", markup=False
        )

    def action_follow(self) -> None:
        """Go there."""
        self.post_message(self.Followed(self._link.entry))

    def on_click(self, event: Click) -> None:
        """Go there."""
        event.stop()
        self.action_follow()


class AuditEntry(ModalScreen[None]):
    """One entry of a logbook, and the way from one to the next."""

    DEFAULT_CSS = """
    AuditEntry VerticalScroll { height: 1fr; scrollbar-size-vertical: 1; }
    AuditEntry Static { width: 100%; height: auto; }
    AuditEntry #links { height: auto; margin: 1 0; }
    AuditEntry LinkRow { height: auto; }
    AuditEntry LinkRow > .role { width: 24; }
    AuditEntry LinkRow > .to { width: 1fr; }
    AuditEntry LinkRow:focus { background: $panel; }
    AuditEntry LinkRow:hover { background: $panel; }
    AuditEntry #bytes { margin: 0 0 1 0; text-wrap: nowrap; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q,escape", "leave", "go back"),
        Binding("b,backspace,left", "back", "back along the trail"),
        Binding("w", "remark", "remark"),
        Binding("down,j", "scroll(1)", show=False),
        Binding("up,k", "scroll(-1)", show=False),
        Binding("pagedown,space", "scroll(12)", show=False),
        Binding("pageup", "scroll(-12)", show=False),
        *(Binding(str(digit), f"follow({digit})", show=False) for digit in range(1, BY_DIGIT + 1)),
    ]

    def __init__(self, path: Path, number: int, clock: Clock, utc_offset_min: int) -> None:
        super().__init__(classes="sheet")
        self._path = path
        self._clock = clock
        self._utc_offset_min = utc_offset_min
        self._trail = [number]
        self._opened: OpenedEntry | None = None

    def compose(self) -> ComposeResult:
        """Heading, everything that scrolls, keys."""
        with Vertical(classes="paper -whole"):
            yield Static("", classes="question", markup=False)
            with VerticalScroll():
                yield Static("", id="said", markup=False)
                yield Vertical(id="links")
                yield Static("", id="bytes", markup=False)
                yield Static("", id="fields", markup=False)
            yield Static(Content(KEYS), classes="way-out", markup=False)

    def on_mount(self) -> None:
        """Open it."""
        self.query_one(VerticalScroll).focus()
        self._load()

    def on_resize(self, _event: Resize) -> None:
        """As many bytes in a row as there is room for."""
        self._draw_bytes()

    @work(exclusive=True, group="entry")
    async def _load(self) -> None:
        number = self._trail[-1]
        heading = self.query_one(".question", Static)
        try:
            opened = await asyncio.to_thread(open_entry, self._path, number, self._utc_offset_min)
        except Exception as error:  # a fault of ours must not take down what the app does beside
            heading.update(Content(trouble_words(error)))
            return
        self._opened = opened
        way = " ‹ ".join(map(str, reversed(self._trail[-6:-1])))
        heading.update(Content(f"{opened.heading}{f'  (from {way})' if way else ''}"))
        said: Lines = (*trouble_lines(opened), *opened.said, *remark_lines(opened))
        self.query_one("#said", Static).update(content_of(said))
        links = self.query_one("#links", Vertical)
        await links.remove_children()
        rows: list[Widget] = [
            LinkRow(link, str(place) if place <= BY_DIGIT else "") for place, link in enumerate(opened.links, 1)
        ]
        await links.mount(*(rows or [Static(Content("It leads to no other entry."), markup=False)]))
        self.query_one("#fields", Static).update(content_of((faint("All that it holds"), *opened.fields)))
        self._draw_bytes()
        scroll = self.query_one(VerticalScroll)
        scroll.focus()
        scroll.scroll_home(animate=False)

    def _draw_bytes(self) -> None:
        drawn = self.query_one("#bytes", Static)
        opened = self._opened
        drawn.display = opened is not None and bool(opened.pieces)
        if opened is not None and opened.pieces:
            rows = byte_lines(opened.pieces, self.size.width - AROUND_COLUMNS, opened.driver)
            drawn.update(content_of((faint("Its bytes: place, hex, what they read as"), *rows, plain(""))))

    def on_link_row_followed(self, message: LinkRow.Followed) -> None:
        """A link was chosen."""
        self._follow(message.entry)

    def action_follow(self, digit: int) -> None:
        """Follow a link by its digit."""
        if self._opened is not None and digit <= len(self._opened.links):
            self._follow(self._opened.links[digit - 1].entry)

    def _follow(self, entry: int) -> None:
        self._trail.append(entry)
        self._load()

    def action_back(self) -> None:
        """One step back along the trail; at its beginning, out."""
        self._trail.pop()
        if self._trail:
            self._load()
        else:
            self.dismiss(None)

    def action_leave(self) -> None:
        """Out, however long the trail was."""
        self.dismiss(None)

    def action_scroll(self, by: int) -> None:
        """Scroll by lines."""
        self.query_one(VerticalScroll).scroll_relative(y=by, animate=False)

    @work(exclusive=True, group="remark")
    async def action_remark(self) -> None:
        """Add a signed remark on this entry."""
        if self._opened is not None and await ask_remark(self.app, self._path, self._opened.number, self._clock):
            self._load()
