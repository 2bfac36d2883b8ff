"""The set-up page: the installation drawn as wide as the terminal is, with what must be put back under it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from textual.events import Resize
from textual.widgets import Static

from tui.screens.context import Context
from tui.screens.page import Page
from tui.sentence.drawn import set_up_heading, set_up_lines
from tui.view import Lines
from tui.widgets.words import content_of

PAPER_COLUMNS: Final = 6
"""Columns of a sheet that no text stands in: its edges, and the bar that scrolls it."""


async def set_up(context: Context) -> None:
    """Show how everything stands, and what the selected test reaches."""
    facts = context.facts
    if facts is not None:
        await context.app.push_screen_wait(Drawn(set_up_heading(facts), lambda width: set_up_lines(facts, width)))


class Drawn(Page):
    """A page over the whole screen, drawn anew for every width."""

    def __init__(self, heading: str, lines_for: Callable[[int], Lines]) -> None:
        super().__init__(heading, ())
        self._lines_for = lines_for

    def on_mount(self) -> None:
        """Take all the room there is."""
        super().on_mount()
        self.query_one(".paper").add_class("-whole")

    def on_resize(self, event: Resize) -> None:
        """Draw for this width."""
        self.query_one(".text", Static).update(content_of(self._lines_for(event.size.width - PAPER_COLUMNS)))
