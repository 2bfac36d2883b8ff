"""What the simulated meter remembers of this boot, and the spans of it that it has been asked to send again."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from itertools import islice
from typing import Final

from drivers.codecs.meter_words import event_frame, reading_frame
from logger.reading import Flag, MeterEvent, Reading

AT_ONCE: Final = 100
"""Frames from memory that go out in one go, between readings: they must not hold up the live ones."""

QUESTIONS_AT_MOST: Final = 8
"""Spans that it has been asked for and not sent yet. One more is refused."""


class Memory:
    """The last `size` readings and events, whose numbers follow each other without a gap."""

    def __init__(self, size: int) -> None:
        self._kept: deque[Reading | MeterEvent] = deque(maxlen=size)
        self._asked: deque[tuple[int, int]] = deque()

    @property
    def asked(self) -> bool:
        """Whether a span is still to be sent."""
        return bool(self._asked)

    def keep(self, what: Reading | MeterEvent) -> None:
        """Remember it; the oldest is forgotten for it where the memory is full."""
        self._kept.append(what)

    def ask(self, low: int, high: int) -> bool:
        """Note that numbers `low` to `high` are to be sent; False if too many spans wait already."""
        if len(self._asked) >= QUESTIONS_AT_MOST:
            return False
        self._asked.append((low, high))
        return True

    def portion(self) -> tuple[list[bytes], bool]:
        """The next frames of the first span, at most `AT_ONCE`; and whether that was the last of it, whatever of it
        is still remembered. Call it only while a span is `asked`."""
        low, high = self._asked.popleft()
        skip = max(0, low - self._kept[0].n) if self._kept else 0
        portion = [kept for kept in islice(self._kept, skip, skip + AT_ONCE) if kept.n <= high]
        through = len(portion) < AT_ONCE or portion[-1].n >= high
        if not through:
            self._asked.appendleft((portion[-1].n + 1, high))
        return [_again(kept) for kept in portion], through


def _again(kept: Reading | MeterEvent) -> bytes:
    if isinstance(kept, Reading):
        return reading_frame(replace(kept, flags=kept.flags | {Flag.STORED}))
    return event_frame(kept)
