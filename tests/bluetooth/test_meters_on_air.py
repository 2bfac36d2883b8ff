"""Which Bluetooth meters are in reach: their signal, live; what is remembered; a sentence where there is none."""

from __future__ import annotations

import argparse
import asyncio
import json
import threading
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from air_parts import bytes_of, links_to
from air_parts import run as run_loop
from air_stranger import AirborneStranger
from ether import INFORMATION, Ether
from stranger import recording, run

from drivers.address import parse
from drivers.links import ble_list
from drivers.links.ble_air import Air
from drivers.links.ble_list import BleMeter, ble_meters
from drivers.links.ble_radio import shown
from logger.recorder.event import Event
from tui import meter_search
from tui.cli import meters
from tui.instrument_book import BOOK_VARIABLE, InstrumentBook
from tui.meter_search import Nearby

FIRST, SECOND, THIRD = (f"C0:FF:EE:00:00:{number:02X}" for number in (1, 2, 3))


def test_meters_are_listed_by_signal_and_other_devices_are_not(sky: Ether, adapter: Air) -> None:
    near, far, other = (sky.meter(address, f"Bench {address[-1]}") for address in (FIRST, SECOND, THIRD))
    near.peer.rssi, far.peer.rssi = -40, -88
    other.peer.advertised = [INFORMATION]
    found, failure = ble_meters(0.3, air=adapter)
    assert failure is None
    assert found == (BleMeter(SECOND, "Bench 2", -88), BleMeter(FIRST, "Bench 1", -40))[::-1]


def test_they_are_told_live_as_they_come_and_as_their_signal_changes(sky: Ether, adapter: Air) -> None:
    meter = sky.meter(FIRST, "Bench 1")
    told: list[BleMeter] = []
    enough = threading.Event()

    def hear(found: BleMeter) -> None:
        told.append(found)
        meter.peer.rssi = -70
        if len(told) == 2:
            enough.set()

    listening = threading.Thread(target=ble_meters, args=(1.0, hear, adapter))
    listening.start()
    assert enough.wait(2)
    listening.join(5)
    assert [found.rssi_dbm for found in told] == [-55, -70]


def test_what_they_call_themselves_is_harmless_and_short_and_their_number_bounded(
    sky: Ether, adapter: Air, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_list, "METERS_AT_MOST", 5)
    for number in range(8):
        sky.meter(f"C0:FF:EE:00:03:{number:02X}", "\x1b[2J" + "N" * 50_000)
    found, failure = ble_meters(1.0, air=adapter)
    assert failure is None
    assert len(found) == 5
    assert all(meter.name.startswith("␛[2JNNN") and len(meter.name) == 40 for meter in found)


def test_listening_while_meters_are_connected_puts_nobody_off(sky: Ether, adapter: Air) -> None:
    connected, other = sky.meter(FIRST, "Bench 1"), sky.meter(SECOND, "Bench 2")

    async def test() -> None:
        link = links_to(FIRST, adapter)()
        await link.open()
        listing = asyncio.to_thread(ble_meters, 0.4, None, adapter)
        task = asyncio.ensure_future(listing)
        second = links_to(SECOND, adapter)()
        await second.open()
        found, failure = await task
        assert failure is None
        assert BleMeter(FIRST, "Bench 1", None) in found
        connected.send(b"still here")
        assert await bytes_of(link, 10) == b"still here"
        for each in (link, second):
            await each.close()

    run_loop(test)
    assert other.packets == 0
    assert sky.bluez.overlaps == 0


@pytest.mark.parametrize("trouble", ["unplugged", "off", "no service", "no bus"])
def test_without_bluetooth_the_rest_works_and_one_sentence_says_why(sky: Ether, tmp_path: Path, trouble: str) -> None:
    troubles: dict[str, tuple[Callable[[], Any], str]] = {
        "unplugged": (lambda: sky.run(sky.bluez.unplug), "This machine has no Bluetooth adapter"),
        "off": (lambda: sky.run(lambda: sky.bluez.power(False)), "Bluetooth is switched off"),
        "no service": (sky.stop_service, "The system's Bluetooth service is not running"),
        "no bus": (sky.bus.kill, "The system's Bluetooth service is not running"),
    }
    make, sentence = troubles[trouble]
    make()
    done = run("meters", "--json", cwd=tmp_path)
    assert done.returncode == 0
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith(f"{sentence}: ")
    record = json.loads(done.stdout)
    assert record["complete"] is True
    assert record["bluetooth"] == done.stderr.strip()


def call(*words: str) -> int:
    parser = argparse.ArgumentParser()
    meters.add_parser(parser.add_subparsers())
    arguments = parser.parse_args(["meters", *words])
    return int(arguments.run(arguments))


def test_the_command_shows_what_is_remembered_of_a_meter(
    sky: Ether, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv(BOOK_VARIABLE, str(tmp_path / "book.json"))
    monkeypatch.setattr(ble_list, "ble_meters", lambda: ble_meters(0.3))
    sky.meter(FIRST, "Bench 1")
    said = {"serial": "S-77", "maker": "Kiln Works", "model": "B1", "calibrated_until": "2030-01-31"}
    proof = {"serial": "S-77", "point": "zero", "function": "continuity", "voltage": None, "outcome": "pass"}
    at = "2027-03-01T09:14:00.000000Z"
    InstrumentBook().take(
        [Event("ready", at, 1, said | {"line": f"ble:{FIRST.lower()}"}), Event("proof", at, 2, proof)]
    )
    assert call() == 0
    words = capsys.readouterr().out.splitlines()
    place = next(number for number, line in enumerate(words) if line.startswith(f"ble:{FIRST}"))
    assert words[place].split(maxsplit=1)[1] == "Bench 1, signal -55 dBm, strong"
    assert words[place + 1].strip() == (
        "last time meter S-77: Kiln Works B1, calibrated until 2030-01-31, checked 2027-03-01 (zero, continuity: pass)"
    )
    assert call("--json") == 0
    listed = json.loads(capsys.readouterr().out)
    (meter,) = [each for each in listed["meters"] if each["kind"] == "ble"]
    assert parse(meter["url"]).target == FIRST
    assert (meter["rssi_dbm"], meter["connected"], meter["known"]["serial"]) == (-55, False, "S-77")
    assert listed["bluetooth"] is None


def test_a_meter_found_is_a_meter_that_can_be_recorded_from(
    shed: Path, meter: AirborneStranger, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(ble_list, "ble_meters", lambda: ble_meters(0.3))
    meter.on_ble()
    assert call("--json") == 0
    listed = json.loads(capsys.readouterr().out)
    (url,) = [each["url"] for each in listed["meters"] if each["kind"] == "ble"]
    with recording("job.db", url, shed) as recorder:
        assert recorder.event("ready")["serial"] == "S-77"


def test_an_endless_name_takes_no_time(sky: Ether, adapter: Air) -> None:
    """It is heard twenty times a second: whatever is done with it is done so often."""
    sky.meter(FIRST, "\x1b[2J" * 250_000)
    sky.meter(SECOND, "Bench 2").peer.rssi = -40
    took = []
    for _ in range(3):
        began_s = time.process_time()
        shown("\x1b[2J" * 250_000)
        took.append(time.process_time() - began_s)
    assert min(took) < 0.002
    found, failure = ble_meters(0.5, air=adapter)
    assert failure is None
    assert [meter.address for meter in found] == [SECOND, FIRST]


def test_the_search_of_the_start_screen_finds_them_live_and_lives_through_trouble(
    sky: Ether, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(meter_search, "LISTEN_ROUND_S", 0.3)
    monkeypatch.setattr(meter_search, "AIR_AGAIN_S", 0.05)
    radio = sky.meter(FIRST, "Bench 1")
    search = meter_search.MeterSearch(date(2027, 3, 1), InstrumentBook(tmp_path / "book.json"), lambda: ((), True))

    def comes(holds: Callable[[Nearby], bool]) -> None:
        for _ in range(2000):
            if holds(search.now()):
                return
            threading.Event().wait(0.01)
        raise AssertionError(search.now())

    search.start()
    try:
        comes(lambda near: [f.words for f in near.found] == ["Bench 1, signal -55 dBm, strong"] and not near.notes)
        radio.peer.rssi = -85
        comes(lambda near: [f.words for f in near.found] == ["Bench 1, signal -85 dBm, weak"])
        sky.run(lambda: sky.bluez.power(False))
        comes(lambda near: any(note.startswith("Bluetooth is switched off: ") for note in near.notes))
        comes(lambda near: near.found == ())
        sky.run(lambda: sky.bluez.power(True))
        comes(lambda near: len(near.found) == 1 and not near.notes)
    finally:
        search.stop()
