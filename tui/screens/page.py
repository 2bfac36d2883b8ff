"""A page of lines to read and scroll: help, an entry, meters, what is unfinished."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from tui.view import Lines
from tui.widgets.words import content_of


class Page(ModalScreen[None]):
    """Reads like paper: a heading, lines, and any of Enter, q or Esc to leave."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,q,escape", "back", "go back"),
        Binding("down,j", "scroll(1)", show=False),
        Binding("up,k", "scroll(-1)", show=False),
        Binding("pagedown,space", "scroll(12)", show=False),
        Binding("pageup", "scroll(-12)", show=False),
    ]

    def __init__(self, heading: str, lines: Lines) -> None:
        super().__init__(classes="sheet")
        self._heading = heading
        self._lines = lines

    def compose(self) -> ComposeResult:
        """Heading, lines, way out."""
        with VerticalScroll(classes="paper"):
            yield Static(Content(self._heading), classes="question", markup=False)
            yield Static(content_of(self._lines), classes="text", markup=False)
            yield Static(Content("[Enter] go back   arrows scroll"), classes="way-out", markup=False)

    def on_mount(self) -> None:
        """Arrows scroll at once."""
        self.query_one(VerticalScroll).focus()

    def action_scroll(self, by: int) -> None:
        """Scroll by lines."""
        self.query_one(VerticalScroll).scroll_relative(y=by, animate=False)

    def action_back(self) -> None:
        """Leave."""
        self.dismiss(None)
