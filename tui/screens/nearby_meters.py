"""The meters in reach, as a list that fills while one watches. What looks for them is `tui.meter_search`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from textual.content import Content

from logger.text import harmless
from tui.meter_search import Found, MeterSearch, Nearby
from tui.screens.choose import Choice, Choose

DRAW_EVERY_S: Final = 0.25
"""How often the list is brought up to date, seconds: signals change several times a second."""

NOTE_AT_MOST: Final = 300
"""Longest sentence on the search, characters: what is wrong with Bluetooth, and its remedy."""

LOOKING: Final = "Looking at the serial ports, and listening for Bluetooth meters …"
NOBODY: Final = "No meter is in reach yet: switch it on, or plug it in. It appears here by itself."


class NearbyMeters(Choose):
    """Asks for one of the meters in reach, or of `others`; None when the person goes back. Searches while it is shown,
    and never waits for it.

    Args:
        preset: URL of the one that is highlighted as long as no key was pressed.
    """

    def __init__(self, question: str, search: MeterSearch, others: Sequence[Choice] = (), preset: str = "") -> None:
        super().__init__(question, others, preset)
        self._search = search
        self._others = tuple(others)
        self._drawn: Nearby | None = None

    def on_mount(self) -> None:
        """Begin to look."""
        super().on_mount()
        self._search.start()
        self._bring_up_to_date()
        self.set_interval(DRAW_EVERY_S, self._bring_up_to_date)

    def on_unmount(self) -> None:
        """Nobody watches any more."""
        self._search.stop()

    def _bring_up_to_date(self) -> None:
        nearby = self._search.now()
        if nearby != self._drawn:
            self._drawn = nearby
            self.renew([*map(_choice, nearby.found), *self._others], _said(nearby))


def _choice(found: Found) -> Choice:
    return Choice(found.url, found.url, found.words, found.memory)


def _said(nearby: Nearby) -> Content:
    """How the search goes; what is in its way stands heavier."""
    nobody = nearby.settled and not nearby.found
    going = [NOBODY] if nobody else [] if nearby.notes else [LOOKING]
    notes = [harmless(note, NOTE_AT_MOST) for note in nearby.notes]
    parts = [*((line, "$faint") for line in going), *((note, "$text-warning") for note in notes)]
    return Content("\n").join([Content.styled(text, style) for text, style in parts])
