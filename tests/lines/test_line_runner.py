"""The line runner on a wire in memory and a clock moved by hand: opening, losing, pausing, ticking, stopping."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_parts import CountingConversation, PlainMeter, advance, nothing_held, settle, until

from drivers.instrument import Instrument
from drivers.line import run_line
from drivers.links.base import Chunk, Link
from drivers.links.memory import MemoryLine, at_random, in_chunks
from logger.clock import ManualClock
from logger.errors import InputWrong, InstrumentFailed, LinkEnded, LinkFailed, LinkLost, LinkReason
from logger.happening import Disconnected, Ended, Happening, Lost, RawBytes, Read, Ready


@dataclass
class Bench:
    """A line that runs: wire, clock, conversation and what came of it."""

    clock: ManualClock = field(default_factory=ManualClock)
    conversation: Any = field(default_factory=CountingConversation)
    happenings: list[Happening] = field(default_factory=list)
    failures: list[InstrumentFailed] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.wire = MemoryLine(self.clock)
        self.stop = asyncio.Event()
        self.make_link: Callable[[], Link] = self.wire.host_end

    def start(self, **options: Any) -> asyncio.Task[None]:
        def emit(batch: Sequence[Happening]) -> None:
            self.happenings.extend(batch)

        source = random.Random(7)
        running = run_line(
            self.conversation,
            lambda: self.make_link(),
            self.clock,
            emit,
            self.stop,
            source,
            line="memory:",
            on_failure=self.failures.append,
            **options,
        )
        return asyncio.ensure_future(running)

    def kinds(self) -> list[str]:
        return [type(happening).__name__ for happening in self.happenings]


def on_a_bench(test: Callable[[Bench], Coroutine[Any, Any, None]]) -> None:
    async def run() -> None:
        await test(Bench())

    asyncio.run(run())


def test_bytes_arrive_with_their_time_and_the_greeting_goes_out() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        assert (await bench.wire.meter_end.receive()).data == b"hello\n"
        await advance(bench.clock, 0.5)
        await bench.wire.meter_end.send(b"abc")
        await settle()
        assert bytes(bench.conversation.received) == b"abc"
        assert bench.conversation.times_ns == [500_000_000]
        bench.stop.set()
        await running

    on_a_bench(story)


def test_it_ticks_at_the_deadline_and_sends_what_that_queues() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        await bench.wire.meter_end.receive()
        await advance(bench.clock, 3.2)
        ticked = [at_ns for at_ns in bench.conversation.ticks if at_ns]
        assert ticked == [1_000_000_000, 2_000_000_000, 3_000_000_000]
        assert [(await bench.wire.meter_end.receive()).data for _ in range(3)] == [b"."] * 3
        bench.stop.set()
        await running

    on_a_bench(story)


def test_a_deadline_that_comes_nearer_is_kept() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        bench.conversation._deadline_ns = 200_000_000
        await bench.wire.meter_end.send(b"x")
        await settle()
        await advance(bench.clock, 0.2)
        assert bench.conversation.ticks[-1] == 200_000_000
        bench.stop.set()
        await running

    on_a_bench(story)


class NeverDone(CountingConversation):
    """A driver at fault: its deadline stays in the past."""

    def deadline_ns(self) -> int | None:
        return 0

    def tick(self, now_ns: int) -> Sequence[Happening]:
        self.ticks.append(now_ns)
        return []


def test_a_deadline_that_stays_behind_does_not_spin() -> None:
    async def story(bench: Bench) -> None:
        bench.conversation = NeverDone()
        running = bench.start()
        await advance(bench.clock, 1.0, step_s=0.01)
        assert len(bench.conversation.ticks) < 300
        bench.stop.set()
        await running

    on_a_bench(story)


def test_a_lost_line_is_opened_again_after_a_growing_jittered_pause() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        await bench.wire.meter_end.send(b"x")
        await settle()
        bench.wire.snap()
        bench.wire.refuse()
        await settle()
        assert bench.conversation.disconnections == ["The line in memory broke"]
        await until(bench.clock, lambda: len(bench.failures) >= 9, within_s=60, step_s=0.01)
        bench.wire.accept()
        await until(bench.clock, lambda: bench.conversation.connections == 2)
        bench.stop.set()
        await running

    on_a_bench(story)


def test_pauses_start_at_a_quarter_second_and_end_at_five() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        await bench.wire.meter_end.send(b"x")
        bench.wire.refuse()
        await settle()
        bench.wire.snap()
        pauses = []
        for count in range(2, 9):
            reached = lambda count=count: len(bench.failures) >= count  # noqa: E731
            pauses.append(await until(bench.clock, reached, step_s=0.01))
        assert all(
            abs(pause - wanted) <= wanted / 4 + 0.02
            for pause, wanted in zip(pauses[:5], [0.25, 0.5, 1, 2, 4], strict=True)
        )
        assert all(3.7 <= pause <= 5.01 for pause in pauses[5:])
        assert len({round(pause / wanted, 2) for pause, wanted in zip(pauses, [0.25, 0.5, 1, 2, 4], strict=False)}) > 1
        bench.stop.set()
        await running

    on_a_bench(story)


def test_a_meter_that_is_not_there_is_tried_for_fifteen_seconds() -> None:
    async def story(bench: Bench) -> None:
        bench.wire.refuse(LinkFailed("There is no serial port X", "plug it in", LinkReason.MISSING))
        running = bench.start()
        taken_s = await until(bench.clock, running.done)
        assert taken_s == pytest.approx(15, abs=0.1)
        assert len(bench.failures) >= 5
        with pytest.raises(LinkFailed, match="There is no serial port X: plug it in") as failed:
            await running
        assert failed.value.exit_code == 3

    on_a_bench(story)


def test_a_meter_that_comes_within_fifteen_seconds_is_taken() -> None:
    async def story(bench: Bench) -> None:
        bench.wire.refuse()
        running = bench.start()
        await advance(bench.clock, 12)
        bench.wire.accept()
        await until(bench.clock, lambda: bench.conversation.connections == 1)
        await bench.wire.meter_end.send(b"x")
        await advance(bench.clock, 30)
        assert not running.done()
        bench.stop.set()
        await running

    on_a_bench(story)


def test_forbidden_is_said_at_once() -> None:
    async def story(bench: Bench) -> None:
        bench.wire.refuse(LinkFailed("Forbidden", "ask", LinkReason.FORBIDDEN))
        running = bench.start()
        await settle()
        with pytest.raises(LinkFailed, match="Forbidden"):
            await running
        assert bench.clock.mono_ns() == 0

    on_a_bench(story)


def test_forbidden_after_the_meter_was_there_is_tried_again() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        await bench.wire.meter_end.send(b"x")
        await settle()
        bench.wire.refuse(LinkFailed("Forbidden", "ask", LinkReason.FORBIDDEN))
        bench.wire.snap()
        await advance(bench.clock, 20)
        bench.wire.accept()
        await until(bench.clock, lambda: bench.conversation.connections == 2)
        bench.stop.set()
        await running

    on_a_bench(story)


def test_a_wrong_file_is_not_tried_again() -> None:
    async def story(bench: Bench) -> None:
        class NoFile(type(bench.wire.meter_end)):  # type: ignore[misc]
            async def open(self) -> None:
                raise InputWrong("There is no file x to replay", "check its name")

        bench.make_link = lambda: NoFile(bench.clock, lambda _end: None, in_chunks(1))
        with pytest.raises(InputWrong):
            await bench.start()

    on_a_bench(story)


@pytest.mark.parametrize(("noise", "says"), [(b"", "does not answer"), (b"\x00\xff", "but not who it is")])
def test_an_open_line_without_an_identity_ends_the_first_try(noise: bytes, says: str) -> None:
    async def story(bench: Bench) -> None:
        bench.conversation = Instrument("memory:", 10, nothing_held)
        running = bench.start()

        async def talk() -> None:
            while not running.done():
                if noise and bench.wire.meter_end.peer:
                    await bench.wire.meter_end.send(noise)
                await bench.clock.sleep(0.5)

        talking = asyncio.ensure_future(talk())
        taken_s = await until(bench.clock, running.done)
        assert taken_s == pytest.approx(15, abs=0.1)
        with pytest.raises(LinkFailed, match=says) as failed:
            await running
        assert failed.value.reason is LinkReason.SILENT
        assert "baud" in str(failed.value)
        await until(bench.clock, talking.done)

    on_a_bench(story)


def test_what_counts_as_reached_can_be_chosen() -> None:
    async def story(bench: Bench) -> None:
        bench.conversation = Instrument("memory:", 10, nothing_held)
        running = bench.start(reached=lambda happening: isinstance(happening, RawBytes))
        await settle()
        await bench.wire.meter_end.send(b"noise")
        await advance(bench.clock, 40, step_s=0.5)
        assert not running.done()
        bench.stop.set()
        await running

    on_a_bench(story)


def test_the_stop_halts_the_meter_and_takes_what_had_arrived() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        for part in (b"a", b"b", b"c"):
            await bench.wire.meter_end.send(part)
        bench.stop.set()
        await running
        assert bytes(bench.conversation.received) == b"abc"
        assert bench.conversation.halted == 1
        assert [(await bench.wire.meter_end.receive()).data for _ in range(2)] == [b"hello\n", b"halt\n"]

    on_a_bench(story)


def test_a_meter_that_streams_on_does_not_hold_up_the_stop() -> None:
    async def story(bench: Bench) -> None:
        class Endless:
            can_send = True

            async def open(self) -> None: ...

            async def receive(self) -> Chunk:
                return Chunk(b"x", bench.clock.mono_ns())

            async def send(self, data: bytes) -> None: ...

            async def close(self) -> None: ...

        bench.make_link = Endless
        running = bench.start()
        await settle()
        bench.stop.set()
        async with asyncio.timeout(5):
            await running
        assert bench.conversation.halted == 1

    on_a_bench(story)


@pytest.mark.parametrize("moment", ["opening", "open", "pausing"])
def test_the_stop_is_heard_at_every_moment(moment: str) -> None:
    async def story(bench: Bench) -> None:
        if moment == "opening":

            class Slow(type(bench.wire.meter_end)):  # type: ignore[misc]
                async def open(self) -> None:
                    await asyncio.Event().wait()

            bench.make_link = lambda: Slow(bench.clock, lambda _end: None, in_chunks(1))
        elif moment == "pausing":
            bench.wire.refuse()
        running = bench.start()
        await settle()
        bench.stop.set()
        await settle()
        assert running.done()
        await running
        assert bench.conversation.halted == (1 if moment == "open" else 0)

    on_a_bench(story)


def test_cancelling_halts_and_lets_go() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
        assert bench.conversation.halted == 1
        assert bench.wire.meter_end.peer is None

    on_a_bench(story)


def test_what_the_taker_raises_ends_the_run_and_halts_the_meter() -> None:
    async def story(bench: Bench) -> None:
        def full(batch: Sequence[Happening]) -> None:
            raise MemoryError("full")

        running = asyncio.ensure_future(
            run_line(
                bench.conversation, bench.make_link, bench.clock, full, bench.stop, random.Random(1), line="memory:"
            )
        )
        await settle()
        await bench.wire.meter_end.send(b"x")
        with pytest.raises(MemoryError):
            await running
        assert bench.conversation.halted == 1

    on_a_bench(story)


def test_a_driver_that_breaks_down_is_named_not_thrown() -> None:
    class Clumsy(CountingConversation):
        def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
            raise ZeroDivisionError("division by \x1b[31mzero")

    async def story(bench: Bench) -> None:
        bench.conversation = Clumsy()
        running = bench.start()
        await settle()
        await bench.wire.meter_end.send(b"x")
        with pytest.raises(InstrumentFailed, match="driver of memory: broke down") as failed:
            await running
        assert "\x1b" not in str(failed.value)

    on_a_bench(story)


def test_a_line_that_ends_is_told_and_not_tried_again() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        await bench.wire.meter_end.send(b"x")
        bench.wire.finish()
        await running
        assert bench.kinds() == ["RawBytes", "Ready", "Disconnected", "Ended"]
        assert isinstance(bench.happenings[-1], Ended)
        assert bench.happenings[-1].line == "memory:"

    on_a_bench(story)


def test_a_link_that_cannot_send_is_sent_nothing() -> None:
    async def story(bench: Bench) -> None:
        def make_link() -> Link:
            link = bench.wire.host_end()
            link.can_send = False
            return link

        bench.make_link = make_link
        running = bench.start()
        await advance(bench.clock, 3)
        await bench.wire.meter_end.send(b"x")
        await settle()
        bench.stop.set()
        await running
        assert not bench.wire.meter_end._arriving

    on_a_bench(story)


def test_a_send_that_fails_does_not_end_a_line_that_still_speaks() -> None:
    async def story(bench: Bench) -> None:
        class TakesNothing(type(bench.wire.host_end())):  # type: ignore[misc]
            async def send(self, data: bytes) -> None:
                raise LinkLost("takes no bytes")

        def make_link() -> Link:
            link = TakesNothing(bench.clock, bench.wire._plug_in, in_chunks(9))
            assert isinstance(link, TakesNothing)
            return link

        bench.make_link = make_link
        running = bench.start()
        await advance(bench.clock, 3)
        await bench.wire.meter_end.send(b"x")
        await settle()
        assert bytes(bench.conversation.received) == b"x"
        assert bench.conversation.connections == 1
        bench.stop.set()
        await running

    on_a_bench(story)


def test_a_dead_line_is_opened_anew() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        await bench.wire.meter_end.send(b"x")
        await settle()
        bench.conversation.wants_reopening = True
        await until(bench.clock, lambda: bench.conversation.connections == 2)
        assert bench.conversation.disconnections == ["the line is silent and is opened anew"]
        assert bench.conversation.halted == 0
        bench.stop.set()
        await running

    on_a_bench(story)


def test_a_thousand_reconnections_leave_no_task_behind() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        await bench.wire.meter_end.send(b"x")
        await settle()
        before = len(asyncio.all_tasks())
        for _ in range(1000):
            bench.wire.snap()
            wanted = bench.conversation.connections + 1
            while bench.conversation.connections < wanted:
                await asyncio.sleep(0)
                bench.clock.advance(0.5)
                await asyncio.sleep(0)
            await bench.wire.meter_end.send(b"x")
            for _ in range(8):
                await asyncio.sleep(0)
        await settle()
        assert bench.conversation.connections == 1001
        assert bytes(bench.conversation.received) == b"x" * 1001
        assert len(asyncio.all_tasks()) == before
        bench.stop.set()
        await running
        await settle()
        assert asyncio.all_tasks() == {asyncio.current_task()}

    on_a_bench(story)


def _numbers(happenings: list[Happening]) -> list[int]:
    return [h.reading.n for h in happenings if isinstance(h, Read) and not h.repeat]


def test_a_meter_of_the_protocol_is_read_through_drop_outs() -> None:
    async def story(bench: Bench) -> None:
        bench.conversation = Instrument("memory:", 10, nothing_held)
        meter = PlainMeter(bench.wire.meter_end)
        serving = asyncio.ensure_future(meter.serve())
        running = bench.start()
        await until(bench.clock, lambda: meter.rate == 10)
        for round_of_three in range(5):
            for _ in range(3):
                await meter.read()
                await advance(bench.clock, 0.1)
            bench.wire.snap()
            meter.reading()  # taken while nobody listens, kept in the meter's memory
            while bench.kinds().count("Reconnected") <= round_of_three:
                await advance(bench.clock, 0.1)
        await meter.read()
        await until(bench.clock, lambda: sorted(_numbers(bench.happenings)) == list(range(1, 22)))
        assert sum(isinstance(h, Disconnected) for h in bench.happenings) == 5
        assert sum(isinstance(h, Ready) for h in bench.happenings) == 1
        assert not any(isinstance(h, Lost) for h in bench.happenings)
        assert {asked.split()[0] for asked in meter.asked} == {"ask", "run"}
        bench.stop.set()
        await running
        await settle()
        assert meter.asked[-1] == "halt"
        serving.cancel()

    on_a_bench(story)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_every_byte_that_arrives_stands_in_one_happening_whatever_the_wire_does(seed: int) -> None:
    async def story(bench: Bench) -> None:
        source = random.Random(seed)
        bench.wire = MemoryLine(bench.clock, to_host=at_random(source, loss=0.1, doubling=0.1, chunk=40))
        bench.make_link = bench.wire.host_end
        bench.conversation = Instrument("memory:", 10, nothing_held)
        meter = PlainMeter(bench.wire.meter_end)
        serving = asyncio.ensure_future(meter.serve())
        running = bench.start()
        await until(bench.clock, lambda: meter.rate > 0 or running.done())
        for _ in range(30):
            await meter.read()
            await advance(bench.clock, 0.1)
        await meter.introduce()
        await advance(bench.clock, 6)
        bench.stop.set()
        await running
        at = 0
        for raw in (h for h in bench.happenings if isinstance(h, RawBytes)):
            assert raw.offset == at
            at += len(raw.data)
        numbers = _numbers(bench.happenings)
        assert len(numbers) == len(set(numbers))
        missing = set(range(min(numbers), max(numbers) + 1)) - set(numbers)
        told_lost = {n for h in bench.happenings if isinstance(h, Lost) for n in range(h.low, h.high + 1)}
        assert missing <= told_lost
        serving.cancel()

    on_a_bench(story)


def test_an_ended_link_may_say_why() -> None:
    async def story(bench: Bench) -> None:
        running = bench.start()
        await settle()
        peer = bench.wire.meter_end.peer
        assert peer is not None
        peer.cut(LinkEnded("The capture ends at line 7, which holds no data"))
        await running
        assert bench.conversation.disconnections == ["The capture ends at line 7, which holds no data"]

    on_a_bench(story)
