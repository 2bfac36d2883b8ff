"""The one bridge between the recorder's thread and the screen: a bounded box, filled and emptied."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from typing import Final

from logger.recorder.event import Event

TICK_S: Final = 0.1
"""How often the screen empties the box and draws, seconds: ten repaints a second at most."""

READINGS_AT_MOST: Final = 8_000
"""Readings kept between two ticks: ten seconds of sixteen meters at fifty a second. Beyond it the oldest are let go:
they are in the log, and a screen shows the newest."""

OTHERS_AT_MOST: Final = 20_000
"""Other events kept between two ticks: more than sixteen meters bring about while a screen stalls."""


class Pump:
    """Events from the recorder's thread to the screen's. `publish` on the one, `drain` on the other; neither waits,
    since adding to one end of a deque and taking from the other needs no lock."""

    def __init__(self) -> None:
        self._readings: deque[tuple[int, Event]] = deque(maxlen=READINGS_AT_MOST)
        self._others: deque[tuple[int, Event]] = deque(maxlen=OTHERS_AT_MOST)
        self._count = 0

    def publish(self, events: Sequence[Event]) -> None:
        """Take events, in order; never waits and never raises."""
        for event in events:
            self._count += 1
            (self._readings if event.name == "reading" else self._others).append((self._count, event))

    def drain(self) -> list[Event]:
        """Everything that came since the last call, in order."""
        both = [*_emptied(self._others), *_emptied(self._readings)]
        both.sort(key=lambda numbered: numbered[0])
        return [event for _, event in both]


def _emptied(box: deque[tuple[int, Event]]) -> Iterator[tuple[int, Event]]:
    for _ in range(len(box)):
        try:
            yield box.popleft()
        except IndexError:  # the box was full and lost its oldest meanwhile
            return
