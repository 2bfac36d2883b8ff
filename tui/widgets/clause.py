"""A word in the margin and what it says: the unit that the sentence is made of."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widgets import Static

from tui.view import Lines
from tui.widgets.words import content_of


class Margin(Static):
    """A margin word."""

    DEFAULT_CSS = """
    Margin { width: 9; height: 1; padding: 0 0 0 1; color: $text-accent; text-style: bold; }
    """

    def __init__(self, word: str) -> None:
        super().__init__(word, markup=False)


class Clause(Horizontal):
    """A margin word and its lines, which wrap beside it."""

    DEFAULT_CSS = """
    Clause { height: auto; width: 100%; }
    Clause > .body { width: 1fr; height: auto; padding: 0 1 0 0; }
    """

    def __init__(self, word: str, name: str) -> None:
        super().__init__(id=name)
        self._word = word
        self._shown: Lines | None = None

    def compose(self) -> ComposeResult:
        """Word and body."""
        yield Margin(self._word)
        yield Static("", classes="body", markup=False)

    def show(self, lines: Lines) -> None:
        """Draw these lines, if they are others than the last."""
        if lines != self._shown:
            self._shown = lines
            self.query_one(".body", Static).update(content_of(lines))
