"""Every message of the app. Read this page to know how its parts talk."""

from __future__ import annotations

from textual.message import Message

from tui.opening import Opened
from tui.view import ScreenView


class Looked(Message):
    """The desk looked: this is how things stand. A newer one takes the place of one that waits."""

    def __init__(self, view: ScreenView) -> None:
        super().__init__()
        self.view = view

    def can_replace(self, message: Message) -> bool:
        """Only the newest look is drawn, however late the screen is."""
        return isinstance(message, Looked)


class Wanted(Message):
    """A person wants this action, by key, click or palette. Its name stands in `tui.actions`."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.action_name = name


class HandsMoved(Message):
    """The simulated hands did something, or could not: what they say."""

    def __init__(self, words: str) -> None:
        super().__init__()
        self.words = words


class Begun(Message):
    """A logbook is at hand: the work can begin."""

    def __init__(self, opened: Opened) -> None:
        super().__init__()
        self.opened = opened
