"""One step of a walk on a sheet: what to do, what comes after, and two answers: it is done, or leave it here."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Button, Static

from logger.text import harmless
from tui.view import Lines
from tui.widgets.words import content_of


class Stride(ModalScreen[bool]):
    """True: the person says that it is done; False: they leave it here."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "answer(True)", "done"),
        Binding("q,escape,n", "answer(False)", "leave it here"),
        Binding("down,j", "scroll(1)", show=False),
        Binding("up,k", "scroll(-1)", show=False),
    ]

    def __init__(self, heading: str, lines: Lines, done: str, leave: str = "leave it here") -> None:
        super().__init__(classes="sheet")
        self._heading = heading
        self._lines = lines
        self._done, self._leave = done, leave

    def compose(self) -> ComposeResult:
        """Heading, lines that scroll, two buttons that are always there."""
        with Vertical(classes="paper -stride"):
            yield Static(Content(harmless(self._heading, 200)), classes="question", markup=False)
            with VerticalScroll(classes="lines"):
                yield Static(content_of(self._lines), classes="text", markup=False)
            with Horizontal(classes="answers"):
                yield Button(Content(f"Enter: {self._done}"), id="done")
                yield Button(Content(f"q: {self._leave}"), id="leave")

    def on_mount(self) -> None:
        """Arrows scroll at once."""
        self.query_one(VerticalScroll).focus()

    def action_scroll(self, by: int) -> None:
        """Scroll by lines."""
        self.query_one(VerticalScroll).scroll_relative(y=by, animate=False)

    def action_answer(self, answer: bool) -> None:
        """Answer by key."""
        self.dismiss(answer)

    @on(Button.Pressed)
    def _pressed(self, event: Button.Pressed) -> None:
        self.dismiss(event.button.id == "done")
