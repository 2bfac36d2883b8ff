"""The figure, large, and the short lines beside it."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Container
from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget
from textual.widgets import Static

from tui.view import Line, SeenView, Weight, Words
from tui.widgets.block_digits import can_draw, draw, strike
from tui.widgets.words import content_of

BESIDE_WIDTH = 23
"""Columns for the lines beside the figure: the longest is `give or take 1000.0 MΩ`."""


class Digits(Widget):
    """The digits alone. Twice the size where there is room."""

    DEFAULT_CSS = """
    Digits { width: 1fr; height: 100%; text-wrap: nowrap; }
    Digits.-away { color: $faint; }
    """

    seen: reactive[SeenView] = reactive(SeenView())

    def render(self) -> Content:
        """Rows of half blocks with the unit on the last; plain words where they do not fit."""
        seen = self.seen
        text = seen.sign + seen.figure
        if not can_draw(text):
            return _words(seen, self.size.height)
        for twice in (True, False):
            rows = draw(text, twice=twice)
            if len(rows) <= self.size.height and len(rows[0]) + len(seen.unit) + 3 <= self.size.width:
                return _drawn(seen, rows, self.size.height)
        return _words(seen, self.size.height)

    def watch_seen(self, seen: SeenView) -> None:
        """What does not count stands faint."""
        self.set_class(not seen.counts, "-away")


def _drawn(seen: SeenView, rows: tuple[str, ...], height: int) -> Content:
    above = [""] * (height - len(rows))
    shown = list(rows if seen.counts else strike(rows))
    shown[-1] += f" {seen.unit}"
    style = "bold" if seen.counts else ""
    return Content("\n").join([Content.styled(row, style) for row in [*above, *shown]])


def _words(seen: SeenView, height: int) -> Content:
    said = seen.said if seen.counts or not seen.figure else f"({seen.said})"
    return Content("\n" * ((height - 1) // 2)) + Content.styled(said, "bold" if seen.figure and seen.counts else "")


class BigFigure(Container):
    """Digits, and what stands beside them: a column to their right, or a row under the larger ones."""

    DEFAULT_CSS = f"""
    BigFigure {{ height: 4; width: 1fr; layout: horizontal; }}
    BigFigure > .column {{ width: {BESIDE_WIDTH}; height: 100%; margin: 0 0 0 1; }}
    BigFigure > .row {{ display: none; height: 1; }}
    """

    def compose(self) -> ComposeResult:
        """Digits, then the lines."""
        yield Digits()
        yield Static("", classes="column", markup=False)
        yield Static("", classes="row", markup=False)

    def show(self, seen: SeenView) -> None:
        """Draw this figure."""
        self.query_one(Digits).seen = seen
        row: Line = tuple(words for line in seen.beside for words in (*line, Words(" · ", Weight.FAINT)))[:-1]
        self.query_one(".column", Static).update(content_of(seen.beside))
        self.query_one(".row", Static).update(content_of((row,)))
