"""A line that breaks after every byte there is, late, lossy, or keeping what was on the way: no number is lost for it.

Sans-IO, on a clock that stands still: the conversation of ours, the stranger's meter of `talk`, and bytes between them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from talk import Meter, Talk, said_id
from test_accounting import assert_accounts_balance, assert_bytes_balance, held

from drivers.codecs.meter_line import encode
from logger.clock import NS_PER_S
from logger.happening import Disconnected, Lost, Reconnected


class Rest(StrEnum):
    """What becomes of the bytes that were on the way when the line broke."""

    GONE = "gone"
    """Lost, with the link: the air."""
    KEPT = "kept"
    """Delivered when the line is opened again, from the byte on at which it broke: an adapter's buffer."""
    KEPT_WHOLE = "kept whole"
    """Delivered when the line is opened again, but for the frame that broke."""


@dataclass
class Line:
    """Bytes between meter and conversation, with breaks after so many bytes heard."""

    cuts: deque[int]
    rest: Rest = Rest.GONE
    late_s: float = 0.0
    lost_bytes: frozenset[int] = frozenset()
    deaf_to: frozenset[int] = frozenset()
    """Which of the things that we say the meter does not hear, counted from 0."""
    talk: Talk = field(default_factory=Talk)
    meter: Meter = field(default_factory=Meter)
    linked: bool = False
    heard: int = 0
    said: int = 0
    breaks: int = 0
    way: deque[tuple[int, bytes]] = field(default_factory=deque)

    def link(self) -> None:
        self.linked = True
        self.talk.connect()

    def say(self, frames: Iterable[bytes]) -> None:
        """The meter says something; where there is no link it is only remembered."""
        if self.linked:
            self.way.extend((self.talk.now_ns + round(self.late_s * NS_PER_S), frame) for frame in frames)

    def pass_time(self, seconds: float) -> None:
        for _ in range(round(seconds * 10)):
            self._exchange()
            self.talk.wait(0.1)
        self._exchange()

    def _exchange(self) -> None:
        while self.linked and (self._answer() or self._deliver()):
            pass

    def _answer(self) -> bool:
        asked = self.talk.meter_line.outgoing()
        if asked:
            self.said += 1
            if self.said - 1 not in self.deaf_to:
                self.say(self.meter.answer(asked))
        return bool(asked)

    def _deliver(self) -> bool:
        if not self.way or self.way[0][0] > self.talk.now_ns:
            return False
        at_ns, frame = self.way.popleft()
        room = self.cuts[0] - self.heard if self.cuts else len(frame) + 1
        came, left = frame[:room], frame[room:]
        first = self.heard
        self.heard += len(came)
        self.talk.hear(bytes(b for at, b in enumerate(came, first) if at not in self.lost_bytes))
        if room <= len(frame):
            self.cuts.popleft()
            self._break(at_ns, left)
        return True

    def _break(self, at_ns: int, left: bytes) -> None:
        self.linked = False
        self.breaks += 1
        self.talk.drop()
        if self.rest is Rest.GONE:
            self.way.clear()
        elif self.rest is Rest.KEPT and left:
            self.way.appendleft((at_ns, left))

    def work(self, seconds: float) -> None:
        """The meter measures ten times a second; a broken line is opened again a tenth of a second later."""
        for tenth in range(round(seconds * 10)):
            if not self.linked:
                self.link()
            if self.meter.streaming:
                self.say([self.meter.notice() if tenth % 7 == 3 else self.meter.measure()])
            self.pass_time(0.1)

    def come_to_rest(self) -> None:
        """The line is good from now on; the meter stops streaming, and everything that is owed comes."""
        self.cuts.clear()
        self.lost_bytes, self.deaf_to, self.late_s = frozenset(), frozenset(), 0.0
        if not self.linked:
            self.link()
        self.pass_time(3)
        self.say([said_id(self.meter.identity), self.meter.measure()])
        for _ in range(45):
            self.pass_time(1)
            self.say([said_id(self.meter.identity)])

    def check(self) -> None:
        assert_accounts_balance(self.talk.happened)
        assert_bytes_balance(self.talk)
        (came,) = held(self.talk.happened).values()
        assert max(came) == self.meter.n
        assert len(self.talk.all(Disconnected)) == len(self.talk.all(Reconnected))


WORK_S = 4.0
SECOND_CUT_AFTER = 150
"""Bytes after the first break at which the line breaks once more: in the midst of the answer to what was asked then."""


def transcript_bytes() -> int:
    """How many bytes are heard where nothing breaks."""
    line = Line(deque())
    line.work(WORK_S)
    return line.heard


def cut_after(position: int, rest: Rest, late_s: float) -> None:
    """Break there, and once more soon after; nothing may be lost for it: the meter remembers everything."""
    line = Line(deque([position, position + SECOND_CUT_AFTER]), rest, late_s)
    line.work(WORK_S)
    line.come_to_rest()
    line.check()
    assert not line.talk.all(Lost), f"cut after {position}"


WAYS = [(rest, late_s) for rest in Rest for late_s in (0.0, 0.3)]
STRIDE = 29
"""Every so many positions in each run of the plain suite: prime, so that it falls everywhere in the frames."""


@pytest.mark.parametrize(("rest", "late_s"), WAYS)
def test_a_break_after_some_of_the_bytes_loses_nothing(rest: Rest, late_s: float) -> None:
    for position in range(1 + WAYS.index((rest, late_s)), transcript_bytes(), STRIDE):
        cut_after(position, rest, late_s)


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize(("rest", "late_s"), WAYS)
def test_a_break_after_each_byte_loses_nothing(rest: Rest, late_s: float) -> None:
    for position in range(1, transcript_bytes()):
        cut_after(position, rest, late_s)


def hurt_line(cuts: list[int], rest: Rest, late_s: float, lost: frozenset[int], deaf_to: frozenset[int]) -> Line:
    """A line with everything at once, worked on and come to rest."""
    at, places = 0, []
    for gap in cuts:
        at += gap
        places.append(at)
    line = Line(deque(places), rest, late_s, lost, deaf_to)
    line.work(4)
    line.come_to_rest()
    return line


CUTS = st.lists(st.integers(1, 700), max_size=6)
LOST = st.frozensets(st.integers(0, 4000), max_size=12)
DEAF = st.frozensets(st.integers(0, 12), max_size=4)
LATE = st.sampled_from([0.0, 0.0, 0.1, 0.7, 1.4])


@settings(deadline=None, max_examples=60)
@given(CUTS, st.sampled_from(Rest), LATE, LOST, DEAF)
def test_whatever_the_line_does_each_number_is_held_once_or_told_as_lost(
    cuts: list[int], rest: Rest, late_s: float, lost: frozenset[int], deaf_to: frozenset[int]
) -> None:
    hurt_line(cuts, rest, late_s, lost, deaf_to).check()


@pytest.mark.slow
@pytest.mark.timeout(900)
@settings(deadline=None, max_examples=3000)
@given(CUTS, st.sampled_from(Rest), LATE, LOST, DEAF)
def test_whatever_the_line_does_each_number_is_held_once_or_told_as_lost_at_length(
    cuts: list[int], rest: Rest, late_s: float, lost: frozenset[int], deaf_to: frozenset[int]
) -> None:
    hurt_line(cuts, rest, late_s, lost, deaf_to).check()


def test_the_bench_breaks_where_it_is_told_to() -> None:
    """A test of the tester: a line that never broke would prove nothing."""
    line = Line(deque([1000, 1010]), Rest.KEPT)
    line.work(WORK_S)
    assert line.breaks == 2
    assert transcript_bytes() > 1500
    assert line.talk.stream()[990:1020].count(b"\n") <= 1
    assert encode("end", {"of": "stored"}) in line.talk.stream()
