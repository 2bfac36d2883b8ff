"""How much room the sentence needs, and what gives way where there is less: never a word of it. Pure.

What gives way, in this order: the size of the digits, then trace and scale, then the large digits themselves. The log
takes whatever is left.
"""

from __future__ import annotations

from enum import Enum
from textwrap import wrap
from typing import Final

from tui.view import Lines, ScreenView, text_of

BODY_COLUMNS: Final = 70
"""Columns beside the margin words of an 80-column sentence."""

TALL_ROWS: Final = 37
"""From this height on the digits may be twice their size."""


AIRY_ROWS: Final = 26
"""From this height on an empty row stands under the title."""


class Room(Enum):
    """How the figure is drawn; the value is how many rows WE SEE takes."""

    TALL = 11
    FULL = 7
    SHORT = 4
    LINE = 1


RULE_ROWS: Final = 1
LOG_ROWS_AT_LEAST: Final = 1
HINT_ROWS: Final = 1
HANDS_ROWS: Final = 1


def room_for(view: ScreenView, height: int, *, with_hands: bool) -> Room:
    """The best way to draw the figure that leaves every word its place; the plainest where none does."""
    head = 2 if height >= AIRY_ROWS else 1
    rest = head + _text_rows(view) + HINT_ROWS + RULE_ROWS + LOG_ROWS_AT_LEAST + (HANDS_ROWS if with_hands else 0)
    for room in Room:
        if room is Room.TALL and height < TALL_ROWS:
            continue
        if room.value + rest <= height:
            return room
    return Room.LINE


def _text_rows(view: ScreenView) -> int:
    answer = (view.next_step.answer,) if view.next_step.answer else ()
    parts: tuple[Lines, ...] = (
        view.with_meter,
        view.on_test,
        view.means,
        view.covers,
        view.open_alterations,
        (*answer, *view.next_step.lines),
    )
    trouble = len(wrap(view.trouble, BODY_COLUMNS)) if view.trouble else 0
    return trouble + sum(_rows(part) for part in parts)


def _rows(lines: Lines) -> int:
    """Rows that these lines take, wrapped."""
    return sum(max(1, len(wrap(row, BODY_COLUMNS))) for row in text_of(lines).split("\n"))
