"""Our simulated meter as a Bluetooth peripheral: the same site, faults and hands as on a wire, and nothing is lost."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from air_parts import is_at_rest, links_to, run, until
from ether import Ether, ether
from flight import FastClock, Flight
from private_bus import VARIABLE

from drivers.links.ble_air import Air
from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.thread import SimulatorThread
from logger.errors import InstrumentFailed, LinkFailed
from logger.happening import Damaged, Disconnected, Filled, Gap, Read, Reconnected

SITE = load_site("pottery-studio")
SPEED = 5.0


@pytest.fixture(params=[23, 247], ids=["mtu23", "mtu247"])
def meter(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[SimulatorThread, Air]]:
    """A simulated meter in the air, on a clock that runs faster; and our adapter."""
    with ether(mtu=request.param) as sky:
        monkeypatch.setenv(VARIABLE, sky.bus.address)
        air = Air()
        with SimulatorThread(SimulatedMeter(SITE, seed=3), "ble", clock=FastClock(SPEED)) as simulator:
            yield simulator, air
        air.close()
        assert air.faults == 0


def test_it_says_who_it_is_in_both_ways_and_streams(meter: tuple[SimulatorThread, Air]) -> None:
    simulator, air = meter

    async def test() -> None:
        clock = FastClock(SPEED)
        links = links_to(simulator.url.removeprefix("ble:"), air, clock)
        flight = Flight(links, clock)
        await until(lambda: flight.highest() > 100)
        assert links._place.says.serial == "0417"
        assert links._place.says.battery_percent == 87
        simulator.perform("battery 40")
        await flight.end()
        held, lost = flight.account()
        assert held == set(range(1, max(held) + 1))
        assert not lost
        assert not flight.kinds(Damaged)
        assert "stream: none" in simulator.perform("state")  # it was halted before the line was let go

    run(test)


def test_drops_and_damage_are_made_good_from_the_meters_memory(meter: tuple[SimulatorThread, Air]) -> None:
    simulator, air = meter

    async def test() -> None:
        clock = FastClock(SPEED)
        flight = Flight(links_to(simulator.url.removeprefix("ble:"), air, clock), clock)
        await until(lambda: flight.highest() > 50)
        for turn, fault in enumerate(
            ("bit-flip 3", "lost-byte 2", "lost-frame 4", "duplicate 3", "noise 2", "split 3")
        ):
            simulator.perform(f"line {fault}")
            simulator.perform("drop 1")
            await until(lambda turn=turn: flight.kinds(Reconnected) > turn)  # type: ignore[misc]
            until_n = flight.highest() + 60
            await until(lambda until_n=until_n: flight.highest() > until_n)  # type: ignore[misc]
        await until(lambda: flight.kinds(Gap) <= flight.kinds(Filled))
        await flight.end()
        held, lost = flight.account()
        assert held == set(range(1, max(held) + 1))
        assert not lost
        assert flight.kinds(Disconnected) == flight.kinds(Reconnected) == 6
        assert flight.kinds(Damaged)
        flight.raw()

    run(test)


def test_a_reboot_behind_a_drop_is_another_count(meter: tuple[SimulatorThread, Air]) -> None:
    simulator, air = meter

    async def test() -> None:
        clock = FastClock(SPEED)
        flight = Flight(links_to(simulator.url.removeprefix("ble:"), air, clock), clock)
        await until(lambda: flight.highest() > 100)
        simulator.perform("drop 1")
        simulator.perform("reboot")
        await until(lambda: flight.kinds(Reconnected) == 1)
        await until(lambda: len({h.boot for h in flight.happenings if isinstance(h, Read)}) == 2)
        await flight.end()
        newest = [h.boot for h in flight.happenings if isinstance(h, Read)][-1]
        assert f"boot {newest}" in simulator.perform("state")

    run(test)


def test_without_bluetooth_it_says_so(sky: Ether) -> None:
    sky.run(sky.bluez.unplug)
    with pytest.raises(LinkFailed, match=r"there is no adapter.*check that Bluetooth is switched on"):
        SimulatorThread(SimulatedMeter(SITE), "ble")
    sky.stop_service()
    with pytest.raises(LinkFailed, match="BlueZ does not serve the meter"):
        SimulatorThread(SimulatedMeter(SITE), "ble")
    sky.bus.kill()
    with pytest.raises((LinkFailed, InstrumentFailed), match="BlueZ does not serve the meter"):
        SimulatorThread(SimulatedMeter(SITE), "ble")


def test_stopping_it_takes_it_off_the_air(sky: Ether, adapter: Air) -> None:
    simulator = SimulatorThread(SimulatedMeter(SITE), "ble")
    assert len(sky.apps.peers) == 1
    simulator.stop()
    assert not simulator.alive
    assert is_at_rest(adapter)
