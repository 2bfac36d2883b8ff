"""NEXT: the last answer while it is news, the sentence, and what it offers."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Static

from tui.view import NextView
from tui.widgets.clause import Margin
from tui.widgets.hints import Hints
from tui.widgets.words import content_of

ALWAYS = ("everything",)
"""Offered whatever the situation: the way to all the rest."""


class NextClause(Horizontal):
    """The margin word, the sentence and its hints."""

    DEFAULT_CSS = """
    NextClause { height: auto; width: 100%; }
    NextClause > Vertical { height: auto; width: 1fr; }
    NextClause .sentence { height: auto; padding: 0 1 0 0; }
    """

    def __init__(self) -> None:
        super().__init__(id="next")
        self._shown: NextView | None = None

    def compose(self) -> ComposeResult:
        """Word, sentence, hints."""
        yield Margin("NEXT")
        with Vertical():
            yield Static("", classes="sentence", markup=False)
            yield Hints()

    async def show(self, view: NextView) -> None:
        """Draw this advice, if it is another than the last."""
        if view == self._shown:
            return
        self._shown = view
        lines = (view.answer, *view.lines) if view.answer else view.lines
        self.query_one(".sentence", Static).update(content_of(lines))
        await self.query_one(Hints).show((*view.actions, *(a for a in ALWAYS if a not in view.actions)))
