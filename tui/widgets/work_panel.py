"""The work list beside the sentence, where the terminal is wide enough. It shows; the work list screen chooses."""

from __future__ import annotations

from typing import Final

from textual.content import Content
from textual.events import Click
from textual.reactive import reactive
from textual.widget import Widget

from tui.messages import Wanted
from tui.present import test_words
from tui.view import Tone, Weight, WorkLine
from tui.widgets.words import style_of

OUTCOME_COLUMNS: Final = 12
"""Columns for the outcome and its sign at the right edge."""


class WorkPanel(Widget):
    """Items with their tests; a window around the selected one."""

    DEFAULT_CSS = (
        "WorkPanel { width: 1fr; height: 1fr; text-wrap: nowrap; padding: 0 1 0 2; border-left: vkey $surface; }"
    )

    lines: reactive[tuple[WorkLine, ...]] = reactive(())
    done: reactive[str] = reactive("")

    def render(self) -> Content:
        """What fits, and how much is done."""
        height, width = max(3, self.size.height), self.size.width
        shown = _window(self.lines, height - 2)
        rows = [Content.styled(self.done, "bold"), Content("")]
        rows += [_row(line, width) for line in shown]
        return Content("\n").join(rows)

    def on_click(self, event: Click) -> None:
        """Open the work list."""
        event.stop()
        self.post_message(Wanted("work_list"))


def _window(lines: tuple[WorkLine, ...], rows: int) -> tuple[WorkLine, ...]:
    """As many lines as fit, the selected one among them."""
    if len(lines) <= rows:
        return lines
    at = next((index for index, line in enumerate(lines) if line.selected and line.test), 0)
    first = min(max(0, at - rows // 2), len(lines) - rows)
    return lines[first : first + rows]


def _row(line: WorkLine, width: int) -> Content:
    if not line.test:
        head = Content.styled(f"{line.item}  {line.name}".rstrip(), "bold")
        return head.truncate(width, ellipsis=True)
    pointer = "> " if line.selected else "  "
    weight = Weight.STRONG if line.selected else Weight.PLAIN
    test = Content.styled(f"{pointer}{test_words(line.test)}", style_of(weight, Tone.CALM))
    room = max(1, width - OUTCOME_COLUMNS)
    faint = line.outcome == "to do"
    outcome = Content.styled(
        f"{line.outcome:<{OUTCOME_COLUMNS - 2}}{line.sign}",
        style_of(Weight.FAINT if faint else Weight.STRONG, line.tone),
    )
    return test.truncate(room, ellipsis=True, pad=True) + outcome
