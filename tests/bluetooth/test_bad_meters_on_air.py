"""Peripherals that say they are meters and are not, or behave badly: told, bounded, and never a reading by luck."""

from __future__ import annotations

import random

import pytest
from air_parts import is_at_rest, links_to, run, until
from ether import AirMeter, Ether
from flight import FastClock, Flight
from stranger import StrangerMeter, frame

from drivers.links import ble_radio
from drivers.links.ble_air import Air
from logger.errors import LinkFailed, LinkReason
from logger.happening import Damaged, Disconnected, Filled, Gap, Read, Ready, Reconnected

SPEED = 15.0


class Scripted(StrangerMeter):
    """The stranger's frames without its thread: the test says what goes out when."""

    def __init__(self, radio: AirMeter) -> None:
        super().__init__()
        self.radio = radio
        self._send = radio.notify
        radio.hear = self._said
        self._pending = b""

    def _said(self, data: bytes) -> None:
        *lines, self._pending = (self._pending + data).split(b"\n")
        for line in lines:
            self._answer(line.decode("latin-1"))

    def measure(self, count: int = 1) -> None:
        """Send readings; on the test's thread."""
        for _ in range(count):
            self.radio.send(self.reading())


def flight_to(meter: AirMeter, air: Air, rate: int = 50) -> Flight:
    clock = FastClock(SPEED)
    return Flight(links_to(meter.peer.address, air, clock), clock, rate)


async def ready(flight: Flight) -> None:
    await until(lambda: flight.kinds(Ready) > 0)


def test_noise_is_kept_as_damage_and_the_meter_is_told_to_be_unknown(sky: Ether, adapter: Air) -> None:
    meter = sky.meter()
    source = random.Random(6)
    sent = bytearray()

    def shout(is_here: bool) -> None:
        if is_here:
            noise = source.randbytes(20_000)
            sent.extend(noise)
            meter.notify(noise)

    meter.came = shout

    async def test() -> None:
        flight = flight_to(meter, adapter)
        with pytest.raises(LinkFailed, match="sends something, but not who it is") as failed:
            await flight.task
        assert failed.value.reason is LinkReason.SILENT
        assert flight.raw()[:20_000] == bytes(sent)[:20_000]
        assert flight.kinds(Damaged) > 0
        assert flight.kinds(Read) == 0

    run(test)
    assert is_at_rest(adapter)


def test_without_an_adapter_a_line_says_so_and_not_that_nobody_answers(sky: Ether, adapter: Air) -> None:
    sky.run(sky.bluez.unplug)

    async def test() -> None:
        flight = flight_to(sky.meter(), adapter)
        with pytest.raises(LinkFailed, match="This machine has no Bluetooth adapter"):
            await flight.task
        assert len(flight.failures) > 3  # it was tried all the time

    run(test)


def test_a_name_of_a_megabyte_does_no_harm(sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch) -> None:
    sky.meter("C0:FF:EE:00:00:07", "N" * 1_000_000)
    meter = sky.meter("C0:FF:EE:00:00:08", "\x1b[2J\u202e" * 1000)

    async def test() -> None:
        link = links_to(meter.peer.address, adapter)()
        await link.open()
        await link.close()
        ghost = links_to("\x1b[2J" * 1000, adapter)()
        monkeypatch.setattr(ble_radio, "FIND_LIMIT_S", 0.3)
        with pytest.raises(LinkFailed) as failed:
            await ghost.open()
        assert len(str(failed.value)) < 300
        assert "\x1b" not in str(failed.value)
        await ghost.close()

    run(test)


def test_notifications_before_the_subscription_count_under_no_name(sky: Ether, adapter: Air) -> None:
    radio = sky.meter()
    meter = Scripted(radio)
    early = b"".join(meter.reading() for _ in range(3))
    radio.came = lambda is_here: radio.notify(early) if is_here and meter.n == 3 else None

    async def test() -> None:
        flight = flight_to(radio, adapter)
        await ready(flight)
        meter.measure(3)
        await until(lambda: flight.highest() == 6)
        await flight.end()
        held, lost = flight.account()
        first = next(i for i, h in enumerate(flight.happenings) if isinstance(h, Read))
        named = next(i for i, h in enumerate(flight.happenings) if type(h).__name__ == "Identified")
        assert named < first
        assert held == {1, 2, 3, 4, 5, 6}
        assert not lost

    run(test)


def test_doubled_notifications_count_once(sky: Ether, adapter: Air) -> None:
    radio = sky.meter()
    meter = Scripted(radio)
    radio.doubled = True

    async def test() -> None:
        flight = flight_to(radio, adapter)
        await ready(flight)
        meter.measure(50)
        await until(lambda: sum(isinstance(h, Read) for h in flight.happenings) == 100)
        await flight.end()
        held, lost = flight.account()
        assert held == set(range(1, 51))
        assert not lost
        assert sum(h.repeat for h in flight.happenings if isinstance(h, Read)) == 50

    run(test)


def test_doubled_packets_of_split_frames_are_damage_and_made_good(sky: Ether, adapter: Air) -> None:
    radio = sky.meter()
    radio.peer.mtu = 26
    meter = Scripted(radio)

    async def test() -> None:
        flight = flight_to(radio, adapter)
        await ready(flight)
        meter.measure(10)
        await until(lambda: flight.highest() == 10)
        radio.doubled = True
        meter.measure(10)
        radio.doubled = False
        meter.measure(1)
        await until(lambda: flight.highest() == 21 and flight.is_whole())
        await flight.end()
        held, lost = flight.account()
        assert held == set(range(1, 22))
        assert not lost
        assert flight.kinds(Damaged)
        assert flight.kinds(Gap)
        assert flight.kinds(Filled)

    run(test)


def test_a_table_that_vanishes_is_noticed_by_its_silence_and_looked_for_again(sky: Ether, adapter: Air) -> None:
    radio = sky.meter()
    meter = Scripted(radio)

    async def test() -> None:
        flight = flight_to(radio, adapter)
        await ready(flight)
        meter.measure(5)
        await until(lambda: flight.highest() == 5)
        sky.run(lambda: sky.bluez.vanish_table(radio.peer))
        meter.measure(5)
        await until(lambda: flight.kinds(Reconnected) == 1)
        meter.measure(1)
        await until(lambda: flight.highest() == 11 and flight.is_whole())
        await flight.end()
        held, lost = flight.account()
        assert held == set(range(1, 12))
        assert not lost
        (gone,) = [h for h in flight.happenings if isinstance(h, Disconnected)]
        assert gone.why == "silent for 3 s"

    run(test)


def test_a_service_that_dies_is_noticed_though_the_system_says_nothing(sky: Ether, adapter: Air) -> None:
    """The Bluetooth service is killed while the bus lives: bleak goes on to say that the meter is connected."""
    radio = sky.meter()
    meter = Scripted(radio)

    async def test() -> None:
        flight = flight_to(radio, adapter)
        await ready(flight)
        meter.measure(5)
        await until(lambda: flight.highest() == 5)
        sky.stop_service()
        meter.reading()
        await until(lambda: any("service is not running" in str(failure) for failure in flight.failures))
        radio.peer.is_connected = False
        sky.restart()
        await until(lambda: flight.kinds(Reconnected) == 1)
        meter.measure(1)
        await until(lambda: flight.highest() == 7 and flight.is_whole())
        await flight.end()
        held, _ = flight.account()
        assert held == set(range(1, 8))

    run(test)


def test_a_meter_swapped_for_another_under_one_address_is_another_meter(sky: Ether, adapter: Air) -> None:
    radio = sky.meter()
    meter = Scripted(radio)

    async def test() -> None:
        flight = flight_to(radio, adapter)
        await ready(flight)
        meter.measure(5)
        await until(lambda: flight.highest() == 5)
        radio.drop()
        meter.serial, meter.boot, meter.n = "S-99", "dd04", 0
        meter.memory.clear()
        await until(lambda: flight.kinds(Ready) == 2)
        meter.measure(3)
        await until(lambda: len([h for h in flight.happenings if isinstance(h, Read) and h.serial == "S-99"]) == 3)
        await flight.end()
        assert [h.identity.serial for h in flight.happenings if isinstance(h, Ready)] == ["S-77", "S-99"]

    run(test)


def test_frames_of_a_wrong_check_never_become_readings(sky: Ether, adapter: Air) -> None:
    radio = sky.meter()
    meter = Scripted(radio)

    async def test() -> None:
        flight = flight_to(radio, adapter)
        await ready(flight)
        good = meter.reading()
        radio.send(good.replace(b"v=412", b"v=999") + frame("rd", n="x") + good)
        await until(lambda: flight.highest() == 1)
        await flight.end()
        readings = [h.reading.value.text for h in flight.happenings if isinstance(h, Read)]
        assert readings == ["412"]
        assert flight.kinds(Damaged) == 2

    run(test)
