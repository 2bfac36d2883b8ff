"""What a driver's timers bring: a meter that is ready, numbers filled or lost. Compared without its place.

When exactly a timer was looked at is not in the log. Where no timer had a say, numbers filled or lost follow from the
bytes in their order, and are none of this file's concern.
"""

from __future__ import annotations

from typing import Final

from logger.audit.rederive_bodies import Body
from logger.audit.rederive_lines import LineReplay
from logger.audit.rederive_numbers import Numbers
from logger.audit.rederive_report import Differs, Report, how, titled
from logger.clock import NS_PER_S
from logger.happening import Filled, Lost, Ready
from logger.logbook.entries import Entry, Kind
from logger.recorder import bodies
from logger.text import harmless

TELLS_WITHIN_NS: Final = 30 * NS_PER_S
"""How long after it was due by the driver's timers something may be told, nanoseconds: three asks of a second each, and
a machine that is slow."""

FAILED_TRIES_AT_MOST: Final = 100
"""How often an explanation is looked for in vain on one line: an altered log may hold nothing but what needs one."""


class Timed:
    """The timers of one line of one session.

    Attributes:
        replay: the line.
        numbers: those of the boot that is on it.
    """

    def __init__(self, replay: LineReplay, report: Report) -> None:
        self.replay = replay
        self.numbers = Numbers(None)
        self._report = report
        self._awaited: list[tuple[Entry, Body]] = []
        self._failed_tries = 0

    def ready(self, entry: Entry, data: Body) -> None:
        """A meter is ready: so it must be by its bytes, now or as soon as more of them are decoded."""
        self._awaited.append((entry, data))
        if self._ready_place() is None:
            self.replay.explain(lambda: self._ready_place() is not None)
        self.settle_ready()

    def settle_ready(self) -> None:
        """Match what is awaited with what was derived so far."""
        while (place := self._ready_place()) is not None:
            del self._awaited[0], self.replay.waiting.ready[: place + 1]

    def _ready_place(self) -> int | None:
        """Which of what was derived is the first that is awaited."""
        if not self._awaited:
            return None
        bodies_of = (self._ready_body(each) for _, each in self.replay.waiting.ready)
        return next((place for place, body in enumerate(bodies_of) if body == self._awaited[0][1]), None)

    def _ready_body(self, ready: Ready) -> Body:
        return bodies.instrument_body(ready.identity, self.replay.line, self.replay.driver, ready.ranges)

    def settled(self, entry: Entry, data: Body, given_up: bool) -> None:
        """Numbers told as filled or lost, which do not follow from bytes alone: so they must be all the same.

        Args:
            given_up: it is what is left of a gap, as a session tells it that ends with gaps.
        """
        low, high = int(data["first"]), int(data["last"])
        kind: type[Filled | Lost] = Filled if entry.kind == Kind.FILLED else Lost
        derived = self._untold(kind, low, high) or (self.replay.asking and self._comes_with_time(kind, low, high))
        wrong = self.settle(kind, low, high)
        if derived or (given_up and not wrong):
            return
        if not (self.replay.asking or given_up):
            self._tell(entry.number, Differs.EXTRA, f"{titled(entry)}: it does not follow from any raw bytes.")
        elif wrong:
            self._tell(entry.number, Differs.FIELD, f"{titled(entry)}: {wrong}.")

    def _untold(self, kind: type[Filled | Lost], low: int, high: int) -> bool:
        """Whether that was derived, and not told before; it is now."""
        untold = self.replay.waiting.untold
        for place, (_, happening) in enumerate(untold):
            if type(happening) is kind and (happening.low, happening.high) == (low, high):
                del untold[place]
                return True
        return False

    def _comes_with_time(self, kind: type[Filled | Lost], low: int, high: int) -> bool:
        if self._failed_tries >= FAILED_TRIES_AT_MOST:
            return False
        found = self.replay.explain(lambda: self._untold(kind, low, high))
        self._failed_tries += not found
        return found

    def settle(self, kind: type[Filled | Lost], low: int, high: int) -> str:
        """Note it; what is wrong with it."""
        numbers = f"numbers {low} to {high} are told as"
        twice = self.numbers.settled.overlap(low, high)
        if kind is Lost:
            self.replay.gave_up = True
            wrong = "" if self.numbers.lost(low, high) else f"{numbers} lost, but not all of them were missing"
        else:
            missing = self.numbers.filled(low, high)
            wrong = f"{numbers} filled, but {missing[0]} to {missing[1]} never came" if missing else ""
        return f"{numbers} filled or lost, and were told so before" if twice else wrong

    def check_untold(self, number: int) -> None:
        """All that was derived, and long ago, must have been told before entry `number`."""
        for due_ns, happening in self.replay.waiting.untold:
            told = self.numbers.settled.covers(happening.low, happening.high)
            if not told and self.replay.last_ns - due_ns > TELLS_WITHIN_NS:
                what = "filled" if isinstance(happening, Filled) else "lost"
                numbers = f"{happening.low} to {happening.high} of meter {harmless(happening.serial, 60)}"
                self._tell(number, Differs.MISSING, f"Nothing tells that numbers {numbers} were {what}.")
        self.replay.waiting.untold.clear()

    def end(self, number: int) -> None:
        """The session is over; `number` is that of the next entry."""
        ready = self.replay.waiting.ready
        for entry, data in self._awaited:
            said = (how(self._ready_body(ready[-1][1]), data) if ready else "") or "the meter did not say so"
            self._tell(entry.number, Differs.FIELD, f"{titled(entry)} is not what the raw bytes say: {said}.")
        if ready and not self._awaited and self.replay.last_ns - ready[-1][0] > TELLS_WITHIN_NS:
            self._tell(
                number,
                Differs.MISSING,
                f"What the meter on {harmless(self.replay.line, 80)} can do does not stand in the log.",
            )
        self.check_untold(number)

    def _tell(self, number: int, what: Differs, sentence: str) -> None:
        self._report.differs(number, what, sentence)
