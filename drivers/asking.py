"""What we may say to a meter, and how often we ask it again.

What lives here: the one door through which bytes leave (`Outbox`) and the patience with one question (`Question`).
What does not: when to ask and what an answer means (`drivers.instrument`, `drivers.backfill`).

Nothing else in the conversation writes to a meter, and the outbox has no other words than `ask`, `run` and `halt`: the
protocol has none that puts a voltage on the leads, and we could not say one if it had.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from drivers.codecs.meter_words import ask_frame, halt_frame, run_frame
from logger.clock import NS_PER_S

ANSWER_WITHIN_NS: Final = 1 * NS_PER_S
"""An ask unanswered for so long is repeated (Meter Line Protocol, section 3)."""

ASKS_AT_MOST: Final = 3
"""How often one thing is asked for in all before it is given up (Meter Line Protocol, section 3)."""

OUTBOX_FRAMES_AT_MOST: Final = 32
"""Most frames waiting to be sent: more wait only where nobody sends (a replay), and then the oldest are of no use."""


class Outbox:
    """Frames waiting to be sent."""

    def __init__(self) -> None:
        self._waiting: deque[bytes] = deque(maxlen=OUTBOX_FRAMES_AT_MOST)
        self._halted = False

    def ask(self, what: str, low: int | None = None, high: int | None = None) -> None:
        """Queue an `ask`; nothing after `halt`."""
        self._put(ask_frame(what, low, high))

    def run(self, rate: int) -> None:
        """Queue a `run`; nothing after `halt`."""
        self._put(run_frame(rate))

    def halt(self) -> None:
        """Queue a `halt`. It is the last word: what waited is dropped, what comes after is not sent."""
        self._waiting.clear()
        self._put(halt_frame())
        self._halted = True

    def clear(self) -> None:
        """Drop what waits: the line it was meant for is gone."""
        self._waiting.clear()

    def take(self) -> bytes:
        """All that waits, handed over once."""
        data = b"".join(self._waiting)
        self._waiting.clear()
        return data

    def _put(self, frame: bytes) -> None:
        if not self._halted:
            self._waiting.append(frame)


class Question:
    """Patience with one question: when to ask again, and when to stop.

    Attributes:
        due_ns: when it is next looked at; None while nothing is asked.
        asked: how often it was asked so far.
        damaged: something damaged came since it was last asked, so that part of the answer may have been lost.
    """

    def __init__(self) -> None:
        self.due_ns: int | None = None
        self.asked = 0
        self.damaged = False

    @property
    def open(self) -> bool:
        """Asked, and neither answered nor given up."""
        return self.due_ns is not None

    @property
    def spent(self) -> bool:
        """Asked as often as it may be."""
        return self.asked >= ASKS_AT_MOST

    def is_due(self, now_ns: int) -> bool:
        """The answer is late."""
        return self.due_ns is not None and now_ns >= self.due_ns

    def put(self, now_ns: int) -> None:
        """It is asked now, for the first time or again."""
        self.asked += 1
        self.damaged = False
        self.due_ns = now_ns + ANSWER_WITHIN_NS

    def progress(self, now_ns: int) -> None:
        """Part of the answer came: wait for the rest as long again."""
        if self.open:
            self.due_ns = now_ns + ANSWER_WITHIN_NS

    def put_off(self, until_ns: int) -> None:
        """The answer stands behind something else that is coming: do not look before `until_ns`."""
        if self.due_ns is not None:
            self.due_ns = max(self.due_ns, until_ns)

    def close(self) -> None:
        """Answered, given up, or of no use any more."""
        self.due_ns = None
        self.asked = 0
        self.damaged = False
