"""Whatever the line does: every number ends held once or lost once, and nothing is said but three words."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from talk import LINE, METER, Meter, Talk, bodies, holds_nothing, numbers, said_id
from wire_tools import VECTORS, line_of

from drivers.codecs import meter_words as words
from drivers.instrument import Instrument
from logger.clock import NS_PER_S
from logger.happening import (
    Damaged,
    Disconnected,
    Filled,
    Gap,
    Happening,
    Identified,
    Lost,
    RawBytes,
    Read,
    Reconnected,
    Told,
)

Name = tuple[str, str]
FATES = st.sampled_from(["good"] * 6 + ["dropped", "damaged", "doubled", "cut"])


def hurt(frame: bytes, fate: str) -> bytes:
    match fate:
        case "dropped":
            return b""
        case "damaged":
            return frame[:9] + bytes([frame[9] ^ 4]) + frame[10:]
        case "doubled":
            return frame + frame
        case "cut":
            return frame[: len(frame) // 2]
    return frame


@dataclass
class Site:
    """A meter, a conversation, and the line between them, which hurts what the fates say."""

    fates: deque[str]
    late_s: float = 0.0
    talk: Talk = field(default_factory=Talk)
    meter: Meter = field(default_factory=Meter)
    linked: bool = False
    on_the_way: list[tuple[int, bytes]] = field(default_factory=list)

    def say(self, *frames: bytes) -> None:
        """The meter says something; it arrives at once, or behind what is on the way."""
        for frame in frames:
            if self.linked:
                self.on_the_way.append((self.talk.now_ns, hurt(frame, self.fates.popleft() if self.fates else "good")))

    def pass_time(self, seconds: float) -> None:
        """Let both ends answer each other for so long, at tenths of a second."""
        for _ in range(round(seconds * 10)):
            self._exchange()
            self.talk.wait(0.1)
        self._exchange()

    def _exchange(self) -> None:
        while self._deliver() or self._answer():
            pass

    def _deliver(self) -> bool:
        if not self.on_the_way or self.on_the_way[0][0] > self.talk.now_ns:
            return False
        _, data = self.on_the_way.pop(0)
        self.talk.hear(data)
        return True

    def _answer(self) -> bool:
        asked = self.talk.meter_line.outgoing()
        at_ns = self.talk.now_ns + round(self.late_s * NS_PER_S)
        for frame in self.meter.answer(asked) if asked and self.linked else ():
            self.on_the_way.append((at_ns, hurt(frame, self.fates.popleft() if self.fates else "good")))
        return bool(asked)

    def link(self) -> None:
        if not self.linked:
            self.linked = True
            self.talk.connect()

    def unlink(self) -> None:
        if self.linked:
            self.linked = False
            self.on_the_way.clear()
            self.talk.drop()

    def do(self, step: str) -> None:
        match step:
            case "read":
                self.say(self.meter.measure())
            case "event":
                self.say(self.meter.notice())
            case "forget":
                self.meter.memory = dict(list(self.meter.memory.items())[-2:])
            case "link":
                self.link()
            case "unlink":
                self.unlink()
            case "reboot":
                self.say(self.meter.power_up(f"boot-{len(self.talk.happened)}"))
            case "second":
                self.pass_time(1)
            case "tenth":
                self.pass_time(0.1)

    def come_to_rest(self) -> None:
        """The line is good from now on; go on until nothing is owed any more."""
        self.fates.clear()
        self.link()
        self.pass_time(2)
        self.say(said_id(self.meter.identity), self.meter.measure())
        for _ in range(30):
            self.pass_time(1)
            self.say(said_id(self.meter.identity))
        self.pass_time(1)


def held(happened: Sequence[Happening]) -> dict[Name, Counter[int]]:
    told: dict[Name, Counter[int]] = {}
    for h in happened:
        if isinstance(h, Told) or (isinstance(h, Read) and not h.repeat):
            told.setdefault((h.serial, h.boot), Counter()).update(numbers([h]))
    return told


def spread(happened: Sequence[Happening], kind: type[Gap] | type[Filled] | type[Lost]) -> dict[Name, Counter[int]]:
    told: dict[Name, Counter[int]] = {}
    for h in happened:
        if isinstance(h, kind):
            told.setdefault((h.serial, h.boot), Counter()).update(range(h.low, h.high + 1))
    return told


def assert_accounts_balance(happened: Sequence[Happening]) -> None:
    """Held once or lost once, from the first number to the last; every gap ends filled or lost, number by number."""
    held_of, gaps, filled, lost = held(happened), *(spread(happened, kind) for kind in (Gap, Filled, Lost))
    assert set(gaps) == set(filled) | set(lost)
    assert set(gaps) <= set(held_of)
    for name, came in held_of.items():
        total = came + lost.get(name, Counter())
        assert set(total.values()) == {1}
        assert set(total) == set(range(min(total), max(total) + 1))
        settled = filled.get(name, Counter()) + lost.get(name, Counter())
        assert settled == gaps.get(name, Counter())
        assert not filled.get(name, Counter()) - came


def assert_bytes_balance(talk: Talk) -> None:
    """What was read out of the bytes stands where it says, and no two things stand in one place."""
    stream = talk.stream()
    places = sorted(
        (h.first, h.last) for h in talk.happened if isinstance(h, (Read, Told, Damaged)) and h.first < h.last
    )
    for (_, before), (after, _) in pairwise(places):
        assert before <= after
    for read in talk.all(Read):
        assert stream[read.first : read.last] == words.reading_frame(read.reading)


STEPS = st.sampled_from(["read"] * 8 + ["event", "forget", "unlink", "link", "tenth", "tenth", "second"])
LATE = st.sampled_from([0.0, 0.0, 0.3, 1.4])


@settings(deadline=None, max_examples=300)
@given(st.lists(STEPS, max_size=60), st.lists(FATES, max_size=150), LATE)
def test_every_number_is_held_once_or_lost_once(steps: list[str], fates: list[str], late_s: float) -> None:
    site = Site(deque(fates), late_s)
    site.link()
    for step in steps:
        site.do(step)
    site.come_to_rest()
    assert_accounts_balance(site.talk.happened)
    assert_bytes_balance(site.talk)
    (came,) = held(site.talk.happened).values()
    assert max(came) == site.meter.n
    assert len(site.talk.all(Disconnected)) == len(site.talk.all(Reconnected))


@settings(deadline=None, max_examples=300)
@given(st.lists(STEPS | st.just("reboot"), max_size=60), st.lists(FATES, max_size=150), LATE)
def test_the_accounts_balance_across_power_ups(steps: list[str], fates: list[str], late_s: float) -> None:
    site = Site(deque(fates), late_s)
    site.link()
    for step in steps:
        site.do(step)
    site.come_to_rest()
    assert_accounts_balance(site.talk.happened)
    assert_bytes_balance(site.talk)
    assert site.talk.all(Identified)[-1].identity == site.meter.identity


@settings(deadline=None, max_examples=40)
@given(st.integers(1, 400), st.lists(st.integers(0, 399), max_size=60, unique=True))
def test_a_meter_that_remembers_loses_nothing(count: int, dropped: list[int]) -> None:
    fates = deque("dropped" if at in dropped else "good" for at in range(count))
    site = Site(deque())
    site.link()
    site.pass_time(0.1)
    site.fates = fates
    for _ in range(count):
        site.say(site.meter.measure())
    site.come_to_rest()
    assert_accounts_balance(site.talk.happened)
    assert not site.talk.all(Lost)


@pytest.mark.slow
@settings(deadline=None, max_examples=3000)
@given(st.lists(STEPS | st.just("reboot"), max_size=120), st.lists(FATES, max_size=300), LATE)
def test_the_accounts_balance_across_power_ups_at_length(steps: list[str], fates: list[str], late_s: float) -> None:
    site = Site(deque(fates), late_s)
    site.link()
    for step in steps:
        site.do(step)
    site.come_to_rest()
    assert_accounts_balance(site.talk.happened)
    assert_bytes_balance(site.talk)


# --- whatever bytes come, at whatever times ---

BYTES = st.one_of(
    st.sampled_from([line_of(row) for row in VECTORS]),
    st.sampled_from([said_id(), words.end_frame("functions"), words.end_frame("stored")]),
    st.integers(1, 40).map(lambda n: Meter(n=n - 1).measure()),
    st.binary(max_size=60),
)
CALLS = st.lists(
    st.one_of(
        st.tuples(st.just("receive"), BYTES),
        st.tuples(st.just("tick"), st.none()),
        st.tuples(st.just("connected"), st.none()),
        st.tuples(st.just("disconnected"), st.just("broke")),
        st.tuples(st.just("halt"), st.none()),
    ),
    max_size=40,
)
PAUSES = st.lists(st.sampled_from([0, 1, NS_PER_S // 10, NS_PER_S, 4 * NS_PER_S, -NS_PER_S]), min_size=40, max_size=40)


def play(calls: list[tuple[str, Any]], pauses: list[int]) -> tuple[list[Happening], bytes]:
    conversation = Instrument(LINE, 10, holds_nothing)
    happened: list[Happening] = []
    sent, now_ns = b"", 10 * NS_PER_S
    for (call, argument), pause in zip(calls, pauses, strict=False):
        now_ns += pause
        match call:
            case "receive":
                happened += conversation.receive(argument, now_ns)
            case "tick":
                happened += conversation.tick(now_ns)
            case "connected":
                happened += conversation.connected(now_ns)
            case "disconnected":
                happened += conversation.disconnected(now_ns, argument)
            case "halt":
                conversation.halt()
        due_ns = conversation.deadline_ns()
        assert due_ns is None or due_ns > 0
        sent += conversation.outgoing()
    return happened, sent


@given(CALLS, PAUSES)
def test_nothing_is_ever_sent_but_ask_run_and_halt(calls: list[tuple[str, Any]], pauses: list[int]) -> None:
    _, sent = play(calls, pauses)
    assert {body.split(" ")[0] for body in bodies(sent)} <= {"ask", "run", "halt"}


@given(CALLS, PAUSES)
def test_the_same_bytes_at_the_same_times_give_the_same(calls: list[tuple[str, Any]], pauses: list[int]) -> None:
    happened, sent = play(calls, pauses)
    assert play(calls, pauses) == (happened, sent)
    stream = b"".join(h.data for h in happened if isinstance(h, RawBytes))
    assert stream == b"".join(argument for call, argument in calls if call == "receive")
    losses = [type(h) for h in happened if isinstance(h, (Disconnected, Reconnected))]
    assert all(kind is (Reconnected if at % 2 else Disconnected) for at, kind in enumerate(losses))
    if not [h for h in happened if isinstance(h, Identified)]:
        assert not [h for h in happened if isinstance(h, (Read, Told, Gap, Lost, Filled))]


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), BYTES), max_size=20))
def test_ticking_often_changes_nothing(said: list[tuple[int, bytes]]) -> None:
    seldom, often = Talk(), Talk()
    for talk in (seldom, often):
        talk.connect()
        for tenths, data in said:
            if talk is seldom:
                talk.wait(tenths / 10)
            else:
                for _ in range(tenths):
                    talk.wait(0.1)
                    talk.note(talk.meter_line.tick(talk.now_ns))
            talk.hear(data)
    assert seldom.happened == often.happened
    assert seldom.meter_line.outgoing() == often.meter_line.outgoing()
    assert METER in [h.identity for h in seldom.all(Identified)] or said_id() not in [data for _, data in said]
