"""One line to write: a reason, a note, a figure. And one question with two answers."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static

from logger.recorder.limits import TEXT_AT_MOST


class Ask(ModalScreen[str | None]):
    """Asks for a line of text; None when the person goes back. What was typed is only text, whatever it looks like."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "go back")]

    def __init__(self, question: str, example: str = "", *, may_be_empty: bool = False, typed: str = "") -> None:
        super().__init__(classes="sheet")
        self._question = question
        self._typed = typed
        self._example = example
        self._may_be_empty = may_be_empty

    def compose(self) -> ComposeResult:
        """Question, line, two buttons."""
        with Vertical(classes="paper -small"):
            yield Static(Content(self._question), classes="question", markup=False)
            yield Input(self._typed, placeholder=self._example, max_length=TEXT_AT_MOST, compact=True)
            yield Static("", classes="complaint", markup=False)
            with Horizontal(classes="answers"):
                yield Button(Content("Enter: that is it"), id="done")
                yield Button(Content("go back"), id="back")

    def on_mount(self) -> None:
        """Ready to type."""
        self.query_one(Input).focus()

    @on(Input.Submitted)
    @on(Button.Pressed, "#done")
    def _done(self) -> None:
        text = self.query_one(Input).value.strip()
        if text or self._may_be_empty:
            self.dismiss(text)
        else:
            self.query_one(".complaint", Static).update("Write a few words first.")

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Write nothing."""
        self.dismiss(None)


class Sure(ModalScreen[bool]):
    """A question with yes and no: y or n, arrows and Enter, or a click. It starts on no."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "answer(True)", "yes"),
        Binding("n,escape,q", "answer(False)", "no"),
        Binding("left,up", "app.focus_previous", show=False),
        Binding("right,down", "app.focus_next", show=False),
    ]

    def __init__(self, question: str, yes: str, no: str) -> None:
        super().__init__(classes="sheet")
        self._question = question
        self._yes, self._no = yes, no

    def compose(self) -> ComposeResult:
        """Question and two buttons."""
        with Vertical(classes="paper -small"):
            yield Static(Content(self._question), classes="question", markup=False)
            with Horizontal(classes="answers"):
                yield Button(Content(f"y: {self._yes}"), id="yes")
                yield Button(Content(f"n: {self._no}"), id="no")

    def on_mount(self) -> None:
        """A careless Enter answers what costs nothing."""
        self.query_one("#no", Button).focus()

    def action_answer(self, answer: bool) -> None:
        """Answer by key."""
        self.dismiss(answer)

    @on(Button.Pressed)
    def _pressed(self, event: Button.Pressed) -> None:
        self.dismiss(event.button.id == "yes")
