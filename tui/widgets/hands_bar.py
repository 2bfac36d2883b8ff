"""HANDS: the simulated hands of a demo, marked as such and kept apart from the sentence."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Static

from tui.actions import ACTIONS, Scope
from tui.view import HandsView
from tui.widgets.clause import Margin
from tui.widgets.hints import Hints


class HandsBar(Horizontal):
    """What the hands hold, and the digits that move them."""

    DEFAULT_CSS = """
    HandsBar { height: auto; width: 100%; background: $surface; }
    HandsBar > Vertical { height: auto; width: 1fr; }
    HandsBar .words { height: 1; color: $faint; text-style: italic; display: none; }
    HandsBar Hint { margin: 0 1 0 0; }
    """

    def __init__(self) -> None:
        super().__init__(id="hands")
        self._shown: HandsView | None = None

    def compose(self) -> ComposeResult:
        """Word, what they hold, digits."""
        yield Margin("HANDS")
        with Vertical():
            yield Static("", classes="words", markup=False)
            yield Hints(tuple(action.name for action in ACTIONS if action.scope is Scope.HANDS))

    def show(self, view: HandsView | None) -> None:
        """Draw what the hands hold."""
        if view is not None and view != self._shown:
            self._shown = view
            self.query_one(".words", Static).update(f"simulated: {view.leads}{' · ' if view.said else ''}{view.said}")
