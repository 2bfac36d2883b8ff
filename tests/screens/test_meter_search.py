"""The search for meters: what is found, what is remembered of it, and that nothing waits for it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest
from search_parts import Neighbourhood

from drivers.links.ble_list import BleMeter
from drivers.links.ble_trouble import failure_of
from drivers.links.serial_list import SerialPort
from logger.recorder.event import Event
from tui import meter_search
from tui.instrument_book import InstrumentBook
from tui.meter_search import Found, MeterSearch, Nearby
from tui.nearby import calibration_words, signal_words

AIR = "C0:FF:EE:00:00:01"
SAID = {"serial": "0417", "maker": "Kiln Works", "model": "TM-2", "calibrated_until": "2026-12-01"}


@pytest.fixture
def near(monkeypatch: pytest.MonkeyPatch) -> Iterator[Neighbourhood]:
    monkeypatch.setattr(meter_search, "PORTS_EVERY_S", 0.005)
    monkeypatch.setattr(meter_search, "AIR_AGAIN_S", 0.005)
    neighbourhood = Neighbourhood()
    yield neighbourhood
    neighbourhood.close()


def begun(near: Neighbourhood, folder: Path) -> MeterSearch:
    search = near.search(folder / "book.json")
    search.start()
    return search


def until(search: MeterSearch, holds: Callable[[Nearby], bool]) -> Nearby:
    for _ in range(4000):
        if holds(nearby := search.now()):
            return nearby
        threading.Event().wait(0.005)
    raise AssertionError(f"it never came: {search.now()}")


def test_a_port_appears_when_it_is_plugged_in_and_goes_when_it_is_pulled(near: Neighbourhood, tmp_path: Path) -> None:
    search = begun(near, tmp_path)
    until(search, lambda nearby: near.listens == 1 and nearby.found == ())
    near.ports = (SerialPort("/dev/ttyKILN", maker="Adapter Works", serial="A7", vendor_id=0x403, product_id=0x6001),)
    nearby = until(search, lambda nearby: bool(nearby.found))
    assert nearby.found == (Found("serial:/dev/ttyKILN", "Adapter Works, serial A7, 0403:6001"),)
    near.ports = ()
    until(search, lambda nearby: nearby.found == ())


def test_a_meter_in_the_air_is_told_at_once_and_leaves_after_two_rounds_of_silence(
    near: Neighbourhood, tmp_path: Path
) -> None:
    near.meters = (BleMeter(AIR, "Bench 1", -55), BleMeter("C0:FF:EE:00:00:02", "", None))
    search = begun(near, tmp_path)
    nearby = until(search, lambda nearby: len(nearby.found) == 2)
    assert [found.url for found in nearby.found] == [f"ble:{AIR}", "ble:C0:FF:EE:00:00:02"]
    assert nearby.found[0].words == "Bench 1, signal -55 dBm, strong"
    assert nearby.found[0].memory == "not met on this machine before"
    assert nearby.found[1].words == "says nothing of itself, connected to another program"
    near.meters = near.meters[1:]
    near.end_round()
    until(search, lambda _: near.listens == 2)
    assert len(search.now().found) == 2  # one round may miss it
    near.end_round()
    until(search, lambda nearby: len(nearby.found) == 1)


def test_what_is_remembered_is_said_with_a_calibration_that_has_ended(near: Neighbourhood, tmp_path: Path) -> None:
    at = "2027-02-01T09:14:00.000000Z"
    InstrumentBook(tmp_path / "book.json").take([Event("ready", at, 1, SAID | {"line": f"ble:{AIR.lower()}"})])
    near.meters = (BleMeter(AIR, "Bench 1", -70),)
    search = begun(near, tmp_path)
    nearby = until(search, lambda nearby: bool(nearby.found) and "0417" in nearby.found[0].memory)
    assert nearby.found[0].memory == (
        "last time meter 0417: Kiln Works TM-2, calibration ended 2026-12-01, never checked here"
    )


def test_trouble_is_a_sentence_each_and_goes_when_it_is_over(near: Neighbourhood, tmp_path: Path) -> None:
    near.failure = failure_of(FileNotFoundError(2, "no bus"), "")
    near.is_whole = False
    (tmp_path / "book.json").mkdir()
    search = begun(near, tmp_path)
    nearby = until(search, lambda nearby: len(nearby.notes) == 3)
    assert nearby.settled
    assert any(note.startswith("The system's Bluetooth service is not running: ") for note in nearby.notes)
    assert any("may not be whole" in note for note in nearby.notes)
    assert any("cannot be read" in note for note in nearby.notes)
    near.failure, near.is_whole = None, True
    (tmp_path / "book.json").rmdir()
    until(search, lambda nearby: near.listens > 1 and len(nearby.notes) <= 1)
    near.end_round()
    until(search, lambda nearby: nearby.notes == ())


def test_a_search_that_is_stopped_looks_no_further(near: Neighbourhood, tmp_path: Path) -> None:
    search = begun(near, tmp_path)
    until(search, lambda _: near.listens == 1)
    search.stop()
    near.end_round()
    until(search, lambda nearby: nearby.settled)
    names = {"looking at ports", "listening for meters"}
    until(search, lambda _: not names & {thread.name for thread in threading.enumerate()})
    assert near.listens == 1


@pytest.mark.parametrize(("dbm", "words"), [(-65, "strong"), (-66, "fair"), (-80, "fair"), (-81, "weak")])
def test_a_signal_in_words(dbm: int, words: str) -> None:
    assert signal_words(dbm) == f"signal {dbm} dBm, {words}"


def test_a_calibration_in_words() -> None:
    today = date(2027, 3, 1)
    assert calibration_words("2027-03-01", today) == "calibrated until 2027-03-01"
    assert calibration_words("2027-02-28", today) == "calibration ended 2027-02-28"
    assert calibration_words("next\x1b week", today) == "calibrated until next␛ week"
    assert calibration_words("", today) == ""
