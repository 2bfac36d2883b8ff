"""Fetches what is missing out of a meter's memory: one hole at a time, as often as the protocol allows.

What lives here: when to ask `what=stored` and what an answer to it settles. What does not: the bookkeeping of numbers
(`drivers.numbering`) and the happenings that come of it (`drivers.instrument`).

A hole is settled when all of it came, when the meter ends or refuses its answer, or after three unanswered asks. An
answer in which something was damaged is not taken for the meter's last word: what is still missing is asked for again.

On a slow line an answer may stand behind others that were asked for before. While old numbers of any kind keep coming
the meter is at it, so the ask is neither repeated, which would only lengthen the queue, nor given up.
"""

from __future__ import annotations

from typing import Final

from drivers.asking import ANSWER_WITHIN_NS, ASKS_AT_MOST, Outbox, Question
from drivers.codecs.meter_words import ASK_STORED
from drivers.numbering import Hole, Numbering, Taken
from logger.clock import NS_PER_S

NOTHING: Final = Taken()

QUEUE_PATIENCE_NS: Final = 60 * NS_PER_S
"""How long a hole may wait behind other numbers out of the memory: three answers of a thousand take half of it on the
slowest radio link. A line that sends old numbers for ever must not put off the end of it for ever."""


LULL_NS: Final = 10 * NS_PER_S
"""How long after the last old number a hole is not given up: live readings may stand in the queue before its answer."""


class Backfill:
    """The numbers of one boot, and the asking for those that did not come."""

    def __init__(self, outbox: Outbox, highest: int | None) -> None:
        """`highest` as in `Numbering`."""
        self._outbox = outbox
        self._numbers = Numbering(highest)
        self._question = Question()
        self._hole: Hole | None = None
        self._wait_until_ns = 0
        self._old_ns = -LULL_NS  # when an old number came last
        self._unanswered = 0  # asks for this hole whose answer has not ended
        self._stale = 0  # asks for earlier holes whose answer may still end

    @property
    def deadline_ns(self) -> int | None:
        """When `tick` is next needed."""
        return self._question.due_ns

    def take(self, n: int, now_ns: int) -> Taken:
        """The frame numbered `n` came."""
        is_old = self._numbers.is_old(n)
        taken = self._numbers.take(n)
        if self._hole is None:
            return taken
        if self._numbers.hole is not self._hole:
            self._close()  # filled, or given up to make room
        elif not taken.repeat and n <= self._hole.high:
            self._old_ns = now_ns
            self._question.progress(now_ns)
        elif is_old:
            self._old_ns = now_ns
            self._question.put_off(min(now_ns + ANSWER_WITHIN_NS, self._wait_until_ns))
        return taken

    def damage(self) -> None:
        """Something damaged came; it may have been part of the answer."""
        self._question.damaged = True

    def ask(self, now_ns: int) -> None:
        """Ask for the oldest hole, unless an ask is pending or nothing is missing."""
        if self._hole is None and self._numbers.hole is not None:
            self._hole = self._numbers.hole
            self._wait_until_ns = now_ns + QUEUE_PATIENCE_NS
            self._put(now_ns)

    def tick(self, now_ns: int) -> Taken:
        """Ask again, or give up, where the answer is late."""
        if not self._question.is_due(now_ns):
            return NOTHING
        if self._question.spent:
            if now_ns < min(self._old_ns + LULL_NS, self._wait_until_ns):
                self._question.put_off(now_ns + ANSWER_WITHIN_NS)
                return NOTHING
            return self._settle()
        self._put(now_ns)
        return NOTHING

    def answer_ended(self, now_ns: int, refused: bool = False) -> Taken:
        """The meter said that it has sent all it has (or, `refused`, that it will send nothing)."""
        if self._hole is None or self._stale:
            # Taken for the end of an earlier answer, even if part of this hole came: that may have asked for it too. If
            # it was this one's after all, it is asked for once more.
            self._stale = max(0, self._stale - 1)
            return NOTHING
        self._unanswered = max(0, self._unanswered - 1)
        if self._question.damaged and not self._question.spent and not refused:
            self._put(now_ns)
            return NOTHING
        return self._settle()

    def pause(self) -> None:
        """The line broke. What is missing stays missing. What was asked may still be answered on the next line: a meter
        need not notice that its host was away."""
        self._close()

    def give_up(self) -> Taken:
        """This boot is over: what is missing will not come."""
        self.pause()
        return self._numbers.give_up_all()

    def _put(self, now_ns: int) -> None:
        if self._hole is not None:
            self._outbox.ask(ASK_STORED, self._hole.missing[0][0], self._hole.missing[-1][1])
            self._unanswered += 1
            self._question.put(now_ns)

    def _settle(self) -> Taken:
        self._close()
        return self._numbers.give_up(1)

    def _close(self) -> None:
        # More than three would only put off the next answer: after three asks of its own it is settled anyhow.
        self._stale = min(ASKS_AT_MOST, self._stale + self._unanswered)
        self._unanswered = 0
        self._hole = None
        self._question.close()
