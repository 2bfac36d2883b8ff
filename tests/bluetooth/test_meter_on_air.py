"""Our simulated meter as a Bluetooth peripheral: the same site, faults and hands as on a wire, and nothing is lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

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
from logger.happening import Damaged, Disconnected, Read, Reconnected

SITE = load_site("pottery-studio")
SPEED = 5.0


@dataclass
class Aloft:
    """A simulated meter in the air, on a clock that runs faster; our adapter; and how fast it may stream."""

    simulator: SimulatorThread
    air: Air
    rate: int

    def fly(self) -> Flight:
        clock = FastClock(SPEED)
        return Flight(links_to(self.simulator.url.removeprefix("ble:"), self.air, clock), clock, self.rate)


@pytest.fixture(params=[(23, 20), (247, 200)], ids=["mtu23", "mtu247"])
def aloft(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Aloft]:
    mtu, rate = request.param
    with ether(mtu=mtu) as sky:
        monkeypatch.setenv(VARIABLE, sky.bus.address)
        air = Air()
        with SimulatorThread(SimulatedMeter(SITE, seed=3), "ble", clock=FastClock(SPEED)) as simulator:
            yield Aloft(simulator, air, rate)
        air.close()
        assert not air.faults


def test_it_says_who_it_is_in_both_ways_and_streams(aloft: Aloft) -> None:
    simulator = aloft.simulator

    async def test() -> None:
        flight = aloft.fly()
        await flight.reads(40)
        links = flight.links
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


@pytest.mark.slow  # on the machine's own time: wants a quiet one
def test_drops_and_damage_are_made_good_from_the_meters_memory(aloft: Aloft) -> None:
    simulator = aloft.simulator

    async def test() -> None:
        flight = aloft.fly()
        await flight.reads(20)
        faults = ("bit-flip 3", "lost-byte 2", "lost-frame 1", "duplicate 3", "noise 2", "split 3")
        for turn, fault in enumerate(faults[: 6 if aloft.rate > 100 else 2]):
            simulator.perform(f"line {fault}")
            await flight.reads(10)
            simulator.perform("drop 1")
            await until(lambda turn=turn: flight.kinds(Reconnected) > turn)  # type: ignore[misc]
            await flight.reads(20)
        await until(flight.is_whole)
        await flight.end()
        held, lost = flight.account()
        assert held == set(range(1, max(held) + 1))
        assert not lost
        assert flight.kinds(Disconnected) == flight.kinds(Reconnected) == turn + 1
        assert flight.kinds(Damaged)
        flight.raw()

    run(test)


def test_a_reboot_behind_a_drop_is_another_count(aloft: Aloft) -> None:
    simulator = aloft.simulator

    async def test() -> None:
        flight = aloft.fly()
        await flight.reads(40)
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
