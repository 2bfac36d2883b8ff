"""What gives way where there is little room: digits, trace and scale, never a word."""

from __future__ import annotations

from dataclasses import replace

import pytest
from screen_bench import ScreenBench

from tui.fit import Room, room_for
from tui.view import NextView, ScreenView, plain


def view_with(sentence: str) -> ScreenView:
    view = ScreenBench().look()
    return replace(view, next_step=NextView((plain(sentence),)))


@pytest.mark.parametrize(
    ("characters", "height", "room"),
    [
        (60, 44, Room.TALL),
        (60, 36, Room.FULL),
        (60, 24, Room.FULL),
        (600, 44, Room.TALL),
        (560, 24, Room.SHORT),
        (800, 24, Room.LINE),
        (5000, 24, Room.LINE),
    ],
)
def test_the_figure_gives_way_to_the_words(characters: int, height: int, room: Room) -> None:
    assert room_for(view_with("word " * (characters // 5)), height, with_hands=False) is room


def test_more_room_never_makes_the_figure_smaller() -> None:
    view = view_with("word " * 60)
    rooms = [room_for(view, height, with_hands=True).value for height in range(20, 60)]
    assert rooms == sorted(rooms)
