"""The newest log lines, as many as fit. A click opens the log."""

from __future__ import annotations

from textual.content import Content
from textual.events import Click
from textual.reactive import reactive
from textual.widget import Widget

from tui.messages import Wanted
from tui.view import LogLine, Weight
from tui.widgets.words import style_of


class LogTail(Widget):
    """One line an entry, the newest at the top; the figure or sign stands last, since terminals differ on its width."""

    DEFAULT_CSS = "LogTail { width: 100%; height: 1fr; min-height: 1; text-wrap: nowrap; padding: 0 0 0 1; }"

    lines: reactive[tuple[LogLine, ...]] = reactive(())

    def render(self) -> Content:
        """The rows that fit."""
        width = self.size.width
        return Content("\n").join([_row(line, width) for line in self.lines[: max(1, self.size.height)]])

    def on_click(self, event: Click) -> None:
        """Open the log."""
        event.stop()
        self.post_message(Wanted("log"))


def _row(line: LogLine, width: int) -> Content:
    tail = f"  {line.tail}" if line.tail else ""
    room = max(1, width - len(line.time) - 2 - len(tail))
    words = line.text + line.extra if len(line.text) + len(line.extra) <= room else line.text
    text = Content.styled(words, style_of(line.weight, line.tone)).truncate(room, ellipsis=True)
    weight = Weight.STRONG if line.weight is Weight.STRONG else Weight.PLAIN
    return Content.assemble((f"{line.time}  ", "$faint"), text, Content.styled(tail, style_of(weight, line.tone)))
