"""The last minute as one row of bars, a second each."""

from __future__ import annotations

from typing import Final

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from tui.view import TraceView

BARS: Final = "▁▂▃▄▅▆▇█"
TURNED_AWAY: Final = "·"
"""A second whose reading did not count: a dot, so that it needs no colour."""


def bars_of(trace: TraceView) -> str:
    """One character a second, oldest first."""
    return "".join(
        " " if level is None else BARS[min(len(BARS) - 1, int(level * len(BARS)))] if counted else TURNED_AWAY
        for level, counted in zip(trace.levels, trace.counted, strict=True)
    )


class TraceRow(Widget):
    """The row; what it spans stands at its end where there is room."""

    DEFAULT_CSS = "TraceRow { width: 1fr; height: 1; text-wrap: nowrap; color: $faint; }"

    trace: reactive[TraceView] = reactive(TraceView())

    def render(self) -> Content:
        """The bars, cut on their old side where there is no room."""
        words = f" {self.trace.words}" if self.trace.words else ""
        bars = bars_of(self.trace)
        room = max(0, self.size.width - len(words))
        return Content(bars[max(0, len(bars) - room) :] + words)
