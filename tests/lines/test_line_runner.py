"""The line runner on a wire in memory and a clock moved by hand: opening, losing, pausing, ticking."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import pytest
from line_bench import Bench, on_a_bench
from line_parts import CountingConversation, advance, nothing_held, settle, until

from drivers.codecs.meter_words import end_frame, identity_frame, reading_frame
from drivers.instrument import Instrument
from drivers.links.base import Chunk
from drivers.links.memory import in_chunks
from logger.clock import NS_PER_S
from logger.errors import InputWrong, LinkFailed, LinkReason
from logger.happening import Happening, RawBytes
from logger.quantity import Displayed, Function
from logger.reading import Identity, Reading


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


class Backlog:
    """A link on which everything arrives at once, each chunk with the time at which it came."""

    can_send = True

    def __init__(self) -> None:
        self.chunks: list[Chunk] = []
        self.came = asyncio.Event()

    async def open(self) -> None: ...

    async def receive(self) -> Chunk:
        await self.came.wait()
        if not self.chunks:
            await asyncio.Event().wait()
        return self.chunks.pop(0)

    async def send(self, data: bytes) -> None: ...

    async def close(self) -> None: ...


def test_what_waits_while_the_machine_is_busy_is_no_silence() -> None:
    """A minute of a meter's bytes is waiting when the program comes to look: each has its own time of arrival."""
    meter = Identity("0417", "boot-a", "Example Works", "TM-2")

    def at(n: int) -> Chunk:
        reading = Reading(n, Function.INSULATION, Displayed("7", "MOhm"), n * 1000)
        return Chunk(reading_frame(reading), n * NS_PER_S)

    async def story(bench: Bench) -> None:
        bench.conversation = Instrument("memory:", 10, nothing_held)
        link = Backlog()
        bench.make_link = lambda: link
        running = bench.start()
        await settle()
        link.chunks = [Chunk(identity_frame(meter) + end_frame("functions"), NS_PER_S), *map(at, range(1, 61))]
        link.came.set()
        bench.clock.advance(61)
        for _ in range(10):
            await settle()
        assert not link.chunks
        assert bench.kinds().count("Read") == 60
        assert "Disconnected" not in bench.kinds()
        await advance(bench.clock, 3.1)
        assert bench.kinds().count("Disconnected") == 1
        bench.stop.set()
        await running

    on_a_bench(story)
