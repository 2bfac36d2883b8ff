"""The link against a real attribute protocol: MTU exchange, discovery, subscription, drops; no D-Bus, no radio."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import AsyncExitStack
from dataclasses import dataclass

import pytest
from air_parts import all_of, bytes_of, is_at_rest, links_to, radio_of, run, until
from bleak.exc import BleakError
from bumble_air import STACK, Bumble, BumbleMeter
from flight import FastClock, Flight

from drivers.links.ble_air import Air
from drivers.links.ble_radio import Radio
from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.serve import Served, running
from logger.errors import LinkLost
from logger.happening import Damaged, Disconnected, Reconnected

WHERE = "C0:FF:EE:00:00:01"
STREAM = bytes(range(256)) * 8


@dataclass
class Virtual:
    """Our adapter on a virtual link layer, and a meter on the other side of it."""

    air: Air
    meter: BumbleMeter
    rate: int

    def send(self, data: bytes) -> None:
        async def write(_radio: Radio) -> None:
            self.meter.write(data)

        self.air.call(write, 5)

    async def drop(self) -> None:
        await self.air.do(lambda _radio: self.meter.drop())


@pytest.fixture(params=[23, 247, 517], ids=["mtu23", "mtu247", "mtu517"])
def virtual(request: pytest.FixtureRequest) -> Iterator[Virtual]:
    air = Air(STACK)

    async def make(_radio: Radio) -> BumbleMeter:
        bumble = await Bumble.make(request.param)
        return await BumbleMeter.make(bumble, WHERE, "Bench 1", serial="0417", model="TM-2", battery=87)

    yield Virtual(air, air.call(make, 5), rate=10 if request.param == 23 else 50)
    air.close()
    assert not air.faults


def test_bytes_pass_both_ways_and_the_next_connection_works(virtual: Virtual) -> None:
    heard: list[bytes] = []
    virtual.meter.hear = heard.append

    async def test() -> None:
        links = links_to(WHERE, virtual.air)
        for turn in range(3):
            link = links()
            await link.open()
            assert links._place.says.serial == "0417"
            assert links._place.says.battery_percent == 87
            virtual.send(STREAM)
            assert await bytes_of(link, len(STREAM)) == STREAM
            heard.clear()
            await link.send(b"@ask what=id*9FD7B268\n@run rate=5*D57C70F6\n")
            assert b"".join(heard) == b"@ask what=id*9FD7B268\n@run rate=5*D57C70F6\n"
            if turn == 1:
                await virtual.drop()
                assert await all_of(link) == b""
            await link.close()
        assert links.late_calls == 0

    run(test)
    assert radio_of(virtual.air).patience.faults == 0


@pytest.mark.parametrize("virtual", [247], indirect=True)
def test_the_name_that_it_advertises_finds_it(virtual: Virtual) -> None:
    async def test() -> None:
        links = links_to("Bench 1", virtual.air)
        link = links()
        await link.open()
        assert links.address == WHERE
        await link.close()

    run(test)


@pytest.mark.parametrize("virtual", [23], indirect=True)
def test_a_link_that_breaks_under_a_write_is_lost_and_no_wish_to_end(virtual: Virtual) -> None:
    """The stack cancels the write that waits for its answer; a cancelled wait would end the line without a word."""

    async def test() -> None:
        links = links_to(WHERE, virtual.air)
        for _ in range(5):
            link = links()
            await link.open()
            sending = asyncio.ensure_future(link.send(b"x" * 4000))
            await virtual.drop()
            with pytest.raises(LinkLost, match="takes no bytes"):
                await sending
            await link.close()

    run(test)


def test_what_is_cancelled_over_there_is_no_cancellation_here() -> None:
    air = Air(STACK)

    async def cancels_itself(_radio: Radio) -> None:
        raise asyncio.CancelledError

    async def hears_nothing(radio: Radio) -> None:
        with pytest.raises(BleakError, match="dropped"):
            await radio.patience.within(5, cancels_itself(radio))

    async def test() -> None:
        await air.do(hears_nothing)
        with pytest.raises(LinkLost, match="dropped what was under way"):
            await air.do(cancels_itself)
        waiting = asyncio.ensure_future(air.do(lambda _radio: asyncio.Event().wait()))
        await asyncio.sleep(0)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting

    run(test)
    air.close()


@pytest.mark.slow  # on the machine's own time: wants a quiet one
def test_our_meter_streams_through_drops_and_damage(virtual: Virtual) -> None:
    clock = FastClock(4)
    simulated = SimulatedMeter(load_site("pottery-studio"), seed=5)
    stack = AsyncExitStack()

    async def serve(_radio: Radio) -> Served:
        served = Served(simulated, clock)
        virtual.meter.hear = served.hear
        await stack.enter_async_context(running(served, virtual.meter))
        return served

    async def stop(_radio: Radio) -> None:
        await stack.aclose()

    async def command(text: str) -> None:
        async def do(_radio: Radio) -> None:
            served.perform(text)

        await virtual.air.do(do)

    async def test() -> None:
        flight = Flight(links_to(WHERE, virtual.air, clock), clock, rate=virtual.rate)
        await flight.reads(20)
        for turn, fault in enumerate(("bit-flip 2", "lost-frame 1")):
            await command(f"line {fault}")
            await flight.reads(6)
            await command("drop 1")
            await until(lambda turn=turn: flight.kinds(Reconnected) > turn)  # type: ignore[misc]
            await flight.reads(15)
        await until(flight.is_whole)
        await flight.end()
        held, lost = flight.account()
        assert held == set(range(1, max(held) + 1))
        assert not lost
        assert flight.kinds(Disconnected) == flight.kinds(Reconnected) == 2
        assert flight.kinds(Damaged)

    served = virtual.air.call(serve, 5)
    run(test)
    virtual.air.call(stop, 5)


def test_nothing_is_left_when_opening_is_given_up(virtual: Virtual) -> None:
    async def test() -> None:
        link = links_to("C0:FF:EE:00:00:99", virtual.air)()
        opening = asyncio.ensure_future(link.open())
        await asyncio.wait({opening}, timeout=0.05)
        opening.cancel()
        await asyncio.gather(opening, return_exceptions=True)
        await link.close()

    run(test)
    is_at_rest(virtual.air)
