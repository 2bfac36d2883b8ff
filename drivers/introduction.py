"""Getting to know a meter: who it is, what it can do, and having it stream.

What lives here: the three things that a host says of its own accord (`ask what=id`, `ask what=functions`, `run`), each
with its patience. What does not: what becomes of the answers (`drivers.instrument`).
"""

from __future__ import annotations

from typing import Final

from drivers.asking import Outbox, Question
from drivers.codecs.meter_words import ASK_FUNCTIONS, ASK_IDENTITY
from logger.clock import NS_PER_S
from logger.quantity import Function
from logger.reading import Range

ROUNDS_EVERY_NS: Final = 5 * NS_PER_S
"""Pause between rounds of asking a meter that talks but does not say who it is."""

WONDER_EVERY_NS: Final = 1 * NS_PER_S
"""How often a number that fell back may make us ask who is there: a line that doubles frames would ask for ever."""

RUN_AGAIN_AFTER_NS: Final = 2 * NS_PER_S
"""A meter that says who it is, unasked, and has sent no reading for so long, does not stream."""

RUNS_AT_MOST: Final = 3
"""How often `run` is sent to a meter that sends no reading: it may be one that measures at the press of a key."""

RUN_ANSWER_WITHIN_NS: Final = 1 * NS_PER_S
"""A refusal that comes so soon after `run` is taken to be its answer."""

RANGES_SETTLE_NS: Final = 1 * NS_PER_S
"""Ranges that came unasked are told once none has changed for so long: they come in a burst."""

RANGES_AT_MOST: Final = 256
"""Most ranges kept of one meter: sixteen functions with sixteen ranges each."""


class Who:
    """The question who is there."""

    def __init__(self, outbox: Outbox) -> None:
        self._outbox = outbox
        self._question = Question()
        self._asked_ns = 0

    def ask(self, now_ns: int) -> None:
        """Ask, with fresh patience."""
        self._question.close()
        self._put(now_ns)

    def wonder(self, now_ns: int) -> None:
        """Ask if that was not done within the last second."""
        if not self._question.open and now_ns >= self._asked_ns + WONDER_EVERY_NS:
            self._put(now_ns)

    def settle(self) -> None:
        """Answered, or the line broke."""
        self._question.close()

    def tick(self, now_ns: int, unknown: bool) -> None:
        """Ask again where the answer is late; and, as long as it is `unknown` who is there, round after round."""
        due_ns = self.deadline_ns(unknown)
        if due_ns is None or now_ns < due_ns:
            return
        if self._question.spent:
            self._question.close()
        else:
            self._put(now_ns)

    def deadline_ns(self, unknown: bool) -> int | None:
        """When `tick` is next needed."""
        if self._question.open or not unknown:
            return self._question.due_ns
        return self._asked_ns + ROUNDS_EVERY_NS

    def _put(self, now_ns: int) -> None:
        self._outbox.ask(ASK_IDENTITY)
        self._asked_ns = now_ns
        self._question.put(now_ns)


class Abilities:
    """The question what a meter can do, and the ranges it told of, asked or not.

    Attributes:
        settled: the question was answered or given up since the meter's boot.
    """

    def __init__(self, outbox: Outbox) -> None:
        self._outbox = outbox
        self._question = Question()
        self._ranges: dict[tuple[Function, str, str], Range] = {}
        self._news_due_ns: int | None = None
        self.settled = False

    @property
    def ranges(self) -> tuple[Range, ...]:
        """What is known, in the order in which it was first told."""
        return tuple(self._ranges.values())

    @property
    def awaited(self) -> bool:
        """The question was asked and its answer is awaited."""
        return self._question.open

    @property
    def deadline_ns(self) -> int | None:
        """When `tick` is next needed."""
        if self._question.open:
            return self._question.due_ns
        return self._news_due_ns if self.settled else None

    def ask(self, now_ns: int) -> None:
        """Ask, with fresh patience."""
        self._question.close()
        self._put(now_ns)

    def pause(self) -> None:
        """The line broke: the question waits for the next one."""
        self._question.close()

    def forget(self) -> None:
        """Another boot, or another meter: nothing is known."""
        self.pause()
        self._ranges.clear()
        self._news_due_ns = None
        self.settled = False

    def take(self, announced: Range, now_ns: int) -> bool:
        """Note a range; it replaces the one with its function, mark and unit. False where there are too many."""
        key = (announced.function, announced.mark, announced.unit)
        if key not in self._ranges and len(self._ranges) >= RANGES_AT_MOST:
            return False
        if self._ranges.get(key) != announced:
            self._ranges[key] = announced
            self._news_due_ns = now_ns + RANGES_SETTLE_NS
        self._question.progress(now_ns)
        return True

    def damage(self) -> None:
        """Something damaged came; it may have been part of the answer."""
        self._question.damaged = True

    def answer_ended(self, now_ns: int, refused: bool = False) -> bool:
        """The answer is complete, or `refused`: True if there is something to tell now."""
        if self._question.open and self._question.damaged and not self._question.spent and not refused:
            self._put(now_ns)
            return False
        return self._settle()

    def give_up(self) -> bool:
        """Nothing more will be answered: True if there is something to tell now."""
        return self._settle()

    def tick(self, now_ns: int) -> bool:
        """Ask again, or give up, where the answer is late: True if there is something to tell now."""
        if self._question.open:
            if self._question.is_due(now_ns) and not self._question.spent:
                self._put(now_ns)
            return self._question.is_due(now_ns) and self._settle()
        return self.settled and self._news_due_ns is not None and now_ns >= self._news_due_ns and self._settle()

    def _settle(self) -> bool:
        news = self._news_due_ns is not None or not self.settled
        self._question.close()
        self._news_due_ns = None
        self.settled = True
        return news

    def _put(self, now_ns: int) -> None:
        self._outbox.ask(ASK_FUNCTIONS)
        self._question.put(now_ns)


class Stream:
    """Having a meter stream."""

    def __init__(self, outbox: Outbox, rate: int) -> None:
        self._outbox, self._rate = outbox, rate
        self._runs = 0
        self._run_ns: int | None = None
        self._quiet_since_ns = 0

    def start(self, now_ns: int) -> None:
        """Have it stream: the meter is ready, or back."""
        self._runs = 0
        self._put(now_ns)

    def reading(self, now_ns: int) -> None:
        """It sent a reading."""
        self._runs = 0
        self._quiet_since_ns = now_ns

    def idle(self, now_ns: int) -> None:
        """It says who it is; the protocol has it do so, unasked, while it sends nothing else."""
        if 0 < self._runs < RUNS_AT_MOST and now_ns >= self._quiet_since_ns + RUN_AGAIN_AFTER_NS:
            self._put(now_ns)

    def refused(self, now_ns: int) -> bool:
        """It refuses something: True if that was `run`, which is then not sent again."""
        if self._run_ns is None or now_ns >= self._run_ns + RUN_ANSWER_WITHIN_NS:
            return False
        self._run_ns = None
        self._runs = RUNS_AT_MOST
        return True

    def _put(self, now_ns: int) -> None:
        self._outbox.run(self._rate)
        self._runs += 1
        self._run_ns = self._quiet_since_ns = now_ns
