"""How a line ends and what it goes through: stops, breakdowns, dead lines, a thousand reconnections, any wire."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Sequence
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_bench import Bench, on_a_bench
from line_parts import CountingConversation, PlainMeter, advance, nothing_held, settle, until

from drivers.codecs.meter_words import end_frame, identity_frame, range_frame, reading_frame
from drivers.instrument import Instrument
from drivers.line import run_line
from drivers.links.base import Chunk, Link
from drivers.links.memory import MemoryLine, at_random, in_chunks
from logger.errors import InstrumentFailed, LinkEnded, LinkLost
from logger.happening import Disconnected, Ended, Happening, Lost, RawBytes, Read, Ready
from logger.quantity import Displayed, Function
from logger.reading import Identity, Range, Reading


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
        async with asyncio.timeout(60):
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
        with pytest.raises(InstrumentFailed, match="at line 7, which holds no data, and no meter said in it who it is"):
            await running
        assert bench.conversation.disconnections == ["The capture ends at line 7, which holds no data"]
        assert bench.kinds() == ["Disconnected", "Ended"]

    on_a_bench(story)


METER = Identity("0417", "boot-a", "Example Works", "TM-2")
RANGE = Range(Function.INSULATION, "1", "MOhm", Decimal(0), Decimal(20), Decimal(1), voltages=("500",))


def test_a_recorded_meter_that_never_ended_its_answer_is_ready_with_what_it_told() -> None:
    async def story(bench: Bench) -> None:
        bench.conversation = Instrument("memory:", 10, nothing_held)
        readings = b"".join(reading_frame(Reading(n, Function.INSULATION, Displayed("7", "MOhm"))) for n in (1, 2))
        running = bench.start()
        await settle()
        await bench.wire.meter_end.send(identity_frame(METER) + range_frame(RANGE) + readings)
        bench.wire.finish()
        await running
        (ready,) = [h for h in bench.happenings if isinstance(h, Ready)]
        assert (ready.identity, ready.ranges) == (METER, (RANGE,))
        assert [type(h).__name__ for h in bench.happenings[-3:]] == ["Ready", "Disconnected", "Ended"]

    on_a_bench(story)


@pytest.mark.parametrize("ended", [b"", end_frame("functions")])
def test_the_end_tells_ready_once(ended: bytes) -> None:
    async def story(bench: Bench) -> None:
        bench.conversation = Instrument("memory:", 10, nothing_held)
        running = bench.start()
        await settle()
        await bench.wire.meter_end.send(identity_frame(METER) + ended)
        bench.wire.finish()
        await running
        assert bench.kinds().count("Ready") == 1

    on_a_bench(story)
