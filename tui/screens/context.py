"""What a deed has at hand: the app to ask through, the desk to hand steps to, the file to look into."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from textual.app import App

from tui.desk import Desk
from tui.screens.ask import Ask, Sure
from tui.screens.choose import Choice, Choose
from tui.screens.page import Page
from tui.view import HandsView, Lines

if TYPE_CHECKING:
    from tui.facts import Facts
    from tui.hands import Hands


@dataclass(frozen=True, slots=True)
class Context:
    """Handed to every deed.

    Attributes:
        hands: only where the meter is simulated.
    """

    app: App[Any]
    desk: Desk
    path: Path
    hands: Hands | None = None

    @property
    def facts(self) -> Facts | None:
        """What stood at the last look."""
        return self.desk.facts

    async def choose(self, question: str, choices: Sequence[Choice], preset: str = "") -> str | None:
        """One of these, or None."""
        return await self.app.push_screen_wait(Choose(question, choices, preset))

    async def ask(self, question: str, example: str = "", *, may_be_empty: bool = False, typed: str = "") -> str | None:
        """A line of text, or None. `typed` stands there already, to be put right."""
        return await self.app.push_screen_wait(Ask(question, example, may_be_empty=may_be_empty, typed=typed))

    async def sure(self, question: str, yes: str, no: str) -> bool:
        """Yes or no."""
        return await self.app.push_screen_wait(Sure(question, yes, no))

    async def read(self, heading: str, lines: Lines) -> None:
        """A page, until it is left."""
        await self.app.push_screen_wait(Page(heading, lines))

    async def move_hands(self, move: Callable[[Hands], str]) -> None:
        """Let the simulated hands do something, off the event loop, and tell what they say."""
        if self.hands is not None:
            said = await asyncio.to_thread(move, self.hands)
            self.desk.hands = HandsView(f"leads {self.hands.leads}", said, self.hands.where)
