"""The app on a bench: a pilot, the desk looked at by hand, and the screen read as a person reads it."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

from screen_bench import ScreenBench
from textual.events import Key
from textual.pilot import Pilot
from textual.widgets import Input

from logger.errors import InputWrong
from tui.app import ZerofirstApp
from tui.opening import Opened

ROUNDS = 4
"""How many times the screen comes to rest for one key: key, want, deed, screen."""

_CHARACTER = {"slash": "/", "question_mark": "?", "enter": "\r", "escape": "\x1b", "space": " "}

ANYTHING_WITHIN_S = 60
"""Seconds of the machine's own time within which anything comes: a disk that has to be waited for takes its time."""


class FakeLine:
    """Simulated hands without a simulator: what they were told, in order. Says no to one word."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def perform(self, text: str) -> str:
        self.told.append(text)
        if text.startswith("explode"):
            raise InputWrong("That is no command of the simulator", "the words are leads, function")
        return f"Done: {text}."


class AppBench:
    """What a person does at the keys, and what they see."""

    def __init__(self, app: ZerofirstApp, pilot: Pilot[Any], bench: ScreenBench) -> None:
        self.app = app
        self.pilot = pilot
        self.bench = bench

    async def look(self) -> None:
        """Let everything that is under way come to rest, look, and draw."""
        await self.rest()
        self.app.tick()
        await self.rest()

    async def rest(self) -> None:
        """Every widget has done what it was asked to; several times, since one thing asks for the next."""
        for _ in range(ROUNDS):
            await self.pilot.pause(0)

    async def press(self, *keys: str) -> None:
        for key in keys:
            character = _CHARACTER.get(key, key if len(key) == 1 else None)
            self.app.post_message(Key(key, character))
            await self.look()

    async def type(self, text: str) -> None:
        """Into the line that has the keys; each character as the terminal would send it, at once."""
        line = self.app.focused
        assert isinstance(line, Input), line
        line.insert_text_at_cursor(text)
        await self.rest()

    async def come(self, words: str) -> None:
        """Look until these words are there: what is read from disk is read off the loop."""
        until = time.monotonic() + ANYTHING_WITHIN_S
        while time.monotonic() < until and self.app.is_running:
            await self.look()
            if words in self.text:
                return
        raise AssertionError(f"{words!r} did not come:\n{self.text}")

    @property
    def rows(self) -> list[str]:
        """The screen, row by row."""
        width, height = self.app.size
        strips = self.app.screen._compositor.render_strips()
        return [strip.text[:width] for strip in strips[:height]]

    @property
    def text(self) -> str:
        return "\n".join(self.rows)

    def row_of(self, word: str) -> int:
        """The row that a margin word stands on."""
        return next(number for number, row in enumerate(self.rows) if row.startswith(f" {word} "))

    @property
    def last_step(self) -> dict[str, Any]:
        return dict(self.bench.sitting.steps[-1])


def run(
    play: Callable[[AppBench], Awaitable[None]],
    bench: ScreenBench | None = None,
    *,
    size: tuple[int, int] = (80, 24),
    simulator: FakeLine | None = None,
    opened: Opened | None = None,
) -> AppBench:
    """Play a scene on the app."""
    bench = bench or ScreenBench()
    app = ZerofirstApp(bench.clock, opened or bench.opened(), simulator)
    found: list[AppBench] = []

    async def scene() -> None:
        async with app.run_test(size=size) as pilot:
            screen = AppBench(app, pilot, bench)
            found.append(screen)
            if opened is None and app.context is not None:  # the bench's own desk has seen everything so far
                bench.desk.hands = app.context.desk.hands
                app.context = replace(app.context, desk=bench.desk)
            await screen.look()
            await play(screen)

    asyncio.run(scene())
    return found[0]
