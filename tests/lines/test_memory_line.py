"""The wire in memory: fates, order, delay on a clock moved by hand, breaking and plugging in again."""

from __future__ import annotations

import asyncio
import random

import pytest
from line_parts import settle

from drivers.links.memory import (
    Delivery,
    Fate,
    MemoryLine,
    MemoryLink,
    at_random,
    delayed,
    in_chunks,
    lost,
    scripted,
    twice,
)
from logger.clock import ManualClock
from logger.errors import LinkEnded, LinkFailed, LinkLost


async def plugged(line: MemoryLine) -> MemoryLink:
    end = line.host_end()
    await end.open()
    return end


async def arrivals(to_host: Fate, sends: list[bytes], wanted: int) -> list[bytes]:
    line = MemoryLine(ManualClock(), to_host=to_host)
    host = await plugged(line)
    for data in sends:
        await line.meter_end.send(data)
    return [(await host.receive()).data for _ in range(wanted)]


@pytest.mark.parametrize(
    ("fate", "arrive"),
    [
        (in_chunks(1), [b"a", b"b", b"c", b"d"]),
        (in_chunks(3), [b"abc", b"d"]),
        (twice, [b"abcd", b"abcd"]),
        (scripted([lost, twice]), [b"efgh", b"efgh", b"ijkl"]),
        (scripted([lambda _: [Delivery(b"!")]], then=in_chunks(2)), [b"!", b"ef", b"gh"]),
    ],
)
def test_each_send_meets_its_fate(fate: Fate, arrive: list[bytes]) -> None:
    assert asyncio.run(arrivals(fate, [b"abcd", b"efgh", b"ijkl"], len(arrive))) == arrive


def test_chance_is_repeatable() -> None:
    def once() -> list[bytes]:
        fate = at_random(random.Random(3), loss=0.3, doubling=0.3, chunk=5)
        return [delivery.data for n in range(20) for delivery in fate(bytes([n]) * 12)]

    assert once() == once()
    assert b"".join(once()) != b"".join(bytes([n]) * 12 for n in range(20))


def test_a_delay_is_slept_on_the_clock_and_order_is_kept() -> None:
    async def story() -> None:
        clock = ManualClock()
        line = MemoryLine(clock, to_host=scripted([delayed(2.0), delayed(0.5, in_chunks(2))]))
        host = await plugged(line)
        await line.meter_end.send(b"slow")
        await line.meter_end.send(b"fast")
        receiving = asyncio.ensure_future(host.receive())
        await settle()
        clock.advance(1.9)
        await settle()
        assert not receiving.done()
        clock.advance(0.1)
        await settle()
        assert receiving.result().data == b"slow"
        assert receiving.result().mono_ns == 2_000_000_000
        assert [(await host.receive()).data for _ in range(2)] == [b"fa", b"st"]

    asyncio.run(story())


def test_a_snap_loses_what_is_under_way_and_keeps_what_arrived() -> None:
    async def story() -> None:
        line = MemoryLine(ManualClock(), to_host=scripted([in_chunks(9)], then=delayed(1)))
        host = await plugged(line)
        await line.meter_end.send(b"arrived")
        await line.meter_end.send(b"under way")
        line.snap()
        assert (await host.receive()).data == b"arrived"
        with pytest.raises(LinkLost, match="broke"):
            await host.receive()
        with pytest.raises(LinkLost):
            await host.send(b"x")
        with pytest.raises(LinkLost):
            await line.meter_end.send(b"x")

    asyncio.run(story())


def test_a_break_wakes_whoever_waits_on_a_delay() -> None:
    async def story() -> None:
        line = MemoryLine(ManualClock(), to_host=delayed(60))
        host = await plugged(line)
        await line.meter_end.send(b"x")
        receiving = asyncio.ensure_future(host.receive())
        await settle()
        line.finish()
        await settle()
        with pytest.raises(LinkEnded):
            receiving.result()

    asyncio.run(story())


def test_plugging_in_again_and_being_refused() -> None:
    async def story() -> None:
        line = MemoryLine(ManualClock())
        first = await plugged(line)
        second = await plugged(line)
        with pytest.raises(LinkLost, match="Another host"):
            await first.receive()
        await first.close()
        await line.meter_end.send(b"still plugged")
        assert (await second.receive()).data == b"still plugged"
        await second.close()
        line.refuse()
        with pytest.raises(LinkFailed, match="Nobody is there"):
            await line.host_end().open()
        line.accept()
        await plugged(line)
        assert line.connections == 3

    asyncio.run(story())
