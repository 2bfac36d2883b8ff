"""The start screen: what is near, and what can be begun from it."""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from app_bench import AppBench
from screen_bench import ScreenBench
from search_parts import Neighbourhood
from textual.widgets import OptionList

from drivers.links.ble_list import BleMeter
from drivers.links.ble_trouble import failure_of
from drivers.links.serial_list import SerialPort
from logger.clock import SystemClock
from logger.recorder.event import Event
from tui import meter_search, nearby
from tui.app import ZerofirstApp, let_go
from tui.cli.new import start_logbook
from tui.instrument_book import InstrumentBook
from tui.screens import start
from tui.screens.nearby_meters import NearbyMeters
from tui.screens.start import DEMO, LEAVE, Start
from tui.screens.work import Work

PLAN = """
[job]
title = "Glaze booth"
kind = "installation"
rules = "iec"
[supply]
system = "TN-C-S"
voltage = 230
[[board]]
id = "DB1"
[[circuit]]
id = "C1"
board = "DB1"
name = "Booth fan"
"""


@pytest.fixture
def near(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Neighbourhood]:
    """One port on the machine; nothing in the air."""
    monkeypatch.setattr(meter_search, "PORTS_EVERY_S", 0.05)
    monkeypatch.setenv("ZEROFIRST_BOOK", str(tmp_path / "book.json"))
    neighbourhood = Neighbourhood()
    neighbourhood.ports = (SerialPort("/dev/ttyKILN", says="a tester"),)
    monkeypatch.setattr(start, "MeterSearch", lambda _today, _book: neighbourhood.search(tmp_path / "book.json"))
    yield neighbourhood
    neighbourhood.close()


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, near: Neighbourhood) -> Path:
    """A folder with a plan."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    here = tmp_path / "work"
    here.mkdir()
    (here / "booth.toml").write_text(PLAN)
    monkeypatch.chdir(here)
    return here


def play(scene: Callable[[AppBench], Awaitable[None]]) -> ZerofirstApp:
    app = ZerofirstApp(SystemClock())

    async def whole() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            screen = AppBench(app, pilot, ScreenBench())
            await screen.come("Demo: the whole job")
            await scene(screen)

    asyncio.run(whole())
    return app


def test_a_new_job_from_a_plan_to_the_working_screen(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        assert "New job from booth.toml" in screen.text
        await screen.type("new job from booth")
        await screen.press("enter")
        await screen.come("What is the new logbook called?")
        await screen.press("enter")
        await screen.come("With which meter?")
        await screen.come("serial:/dev/ttyKILN")
        await screen.type("key in")
        await screen.press("enter")
        await screen.come("Glaze booth")
        await screen.come("WITH")
        assert isinstance(screen.app.screen, Work)

    app = play(scene)
    assert let_go(app) == 0
    assert (folder / "booth.zerofirst").exists()


def test_a_wrong_plan_is_told_with_its_faults_and_nothing_is_made(folder: Path) -> None:
    (folder / "booth.toml").write_text(PLAN.replace('kind = "installation"', 'kind = "barn"'))

    async def scene(screen: AppBench) -> None:
        await screen.type("new job from booth")
        await screen.press("enter")
        await screen.come("barn")
        assert "mend each and try again" in " ".join(screen.text.split())
        assert "Demo: the whole job" in screen.text

    play(scene)
    assert list(folder.glob("*.zerofirst")) == []


def test_a_file_that_is_no_logbook_is_told(folder: Path) -> None:
    (folder / "shopping.txt").write_text("clay, wax")

    async def scene(screen: AppBench) -> None:
        await screen.type("another logbook")
        await screen.press("enter")
        await screen.come("Which logbook?")
        await screen.type("shopping.txt")
        await screen.press("enter")
        await screen.come("With which meter?")
        await screen.type("no meter today")
        await screen.press("enter")
        await screen.come("shopping.txt")
        assert "Demo: the whole job" in screen.text

    play(scene)


BENCH = BleMeter("C0:FF:EE:00:00:01", "Bench 1", -55)


async def look_for_meters(screen: AppBench) -> None:
    await screen.type("look for")
    await screen.press("enter")
    await screen.come("Meters within reach")


def test_meters_come_up_while_one_watches_and_the_one_picked_is_proposed(folder: Path, near: Neighbourhood) -> None:
    InstrumentBook(folder.parent / "book.json").take(
        [
            Event(
                "ready",
                "2027-02-01T09:14:00.000000Z",
                1,
                {"serial": "0417", "model": "TM-2", "calibrated_until": "2026-12-01", "line": "serial:/dev/ttyKILN"},
            )
        ]
    )

    async def scene(screen: AppBench) -> None:
        await look_for_meters(screen)
        await screen.come("serial:/dev/ttyKILN  a tester")
        await screen.come("last time meter 0417: TM-2, calibration ended 2026-12-01")
        near.meters = (BENCH,)
        near.end_round()
        await screen.come("ble:C0:FF:EE:00:00:01  Bench 1, signal -55 dBm, strong")
        assert "not met on this machine before" in screen.text
        await screen.press("enter")  # nothing was moved yet: the first of the list, which is the meter in the air
        await screen.come("Meter in mind: ble:C0:FF:EE:00:00:01.")
        await screen.type("new job from booth")
        await screen.press("enter")
        await screen.come("What is the new logbook called?")
        await screen.press("enter")
        await screen.come("With which meter?")
        near.ports += (SerialPort("/dev/ttyA"),)
        await screen.come("serial:/dev/ttyA")
        chosen = screen.app.screen
        assert isinstance(chosen, NearbyMeters)
        assert chosen._meant() == "ble:C0:FF:EE:00:00:01"

    play(scene)


def test_enter_takes_what_was_meant_while_the_list_moves(folder: Path, near: Neighbourhood) -> None:
    async def scene(screen: AppBench) -> None:
        await look_for_meters(screen)
        await screen.come("serial:/dev/ttyKILN")
        near.ports += (SerialPort("/dev/ttyB"),)
        await screen.come("serial:/dev/ttyB")
        await screen.press("down")
        shown = screen.app.screen
        assert isinstance(shown, NearbyMeters)
        near.meters = (BENCH,)
        near.end_round()
        await screen.come("Bench 1")
        assert shown._meant() == "serial:/dev/ttyB"
        near.ports = near.ports[:1]
        await gone(screen, "serial:/dev/ttyB")
        assert shown._meant() is None  # the way out, and not some other meter
        await screen.press("enter")
        await screen.come("Demo: the whole job")
        assert "in mind" not in screen.text

    play(scene)


async def gone(screen: AppBench, words: str) -> None:
    for _ in range(2000):
        await screen.look()
        if words not in screen.text:
            return
    raise AssertionError(f"{words!r} stayed")


def test_trouble_with_bluetooth_is_a_sentence_in_the_list_and_the_rest_works(folder: Path, near: Neighbourhood) -> None:
    near.failure = failure_of(FileNotFoundError(2, "no bus"), "")

    async def scene(screen: AppBench) -> None:
        await look_for_meters(screen)
        await screen.come("Bluetooth service is not running")
        assert "systemctl start bluetooth" in " ".join(screen.text.split())
        await screen.come("serial:/dev/ttyKILN")
        await screen.press("escape")
        await screen.come("Demo: the whole job")

    play(scene)


def test_with_nobody_in_reach_it_says_what_to_do(folder: Path, near: Neighbourhood) -> None:
    near.ports = ()

    async def scene(screen: AppBench) -> None:
        await look_for_meters(screen)
        assert "listening for Bluetooth meters" in screen.text
        near.end_round()
        await screen.come("No meter is in reach yet: switch it on, or plug it in.")
        await screen.press("enter")  # the only line is the way out
        await screen.come("Demo: the whole job")

    play(scene)


def test_while_a_logbook_is_made_the_screen_says_what_is_waited_for(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = threading.Event()
    real = start_logbook

    def on_a_slow_disk(*arguments: Any) -> None:
        slow.wait(20)
        real(*arguments)

    monkeypatch.setattr("tui.screens.start.start_logbook", on_a_slow_disk)

    async def scene(screen: AppBench) -> None:
        await screen.type("new job from booth")
        await screen.press("enter")
        await screen.come("What is the new logbook called?")
        await screen.press("enter")
        await screen.come("One moment: booth.zerofirst is being made …")
        assert isinstance(screen.app.screen, Start)
        slow.set()
        await screen.come("With which meter?")
        assert "One moment" not in screen.text

    play(scene)


def test_the_demo_is_asked_for(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        await screen.type("demo")
        await screen.press("enter")

    assert play(scene).return_value == DEMO


def test_leaving(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        await screen.type("leave")
        await screen.press("enter")

    app = play(scene)
    assert app.return_value is None
    assert let_go(app) == 0


def many(folder: Path, logbooks: int) -> None:
    for number in range(logbooks):
        path = folder / f"job-{number:02}.zerofirst"
        path.write_bytes(b"SQLite format 3\x00" + bytes(84))
        os.utime(path, (1_700_000_000 + number, 1_700_000_000 + number))


def test_many_logbooks_push_nothing_off_the_screen(folder: Path) -> None:
    many(folder, 20)

    async def scene(screen: AppBench) -> None:
        for words in ("Demo: the whole job", "Look for meters", "Audit a logbook", "New job from another plan", LEAVE):
            assert words in screen.text
        assert "Open job-19.zerofirst" in screen.text
        assert "Open job-16.zerofirst" not in screen.text
        assert "17 more logbooks: type to find one, or look here" in screen.text
        await screen.type("job-03")
        await screen.look()
        assert "Open job-03.zerofirst" in screen.text
        assert "more logbooks" not in screen.text

    play(scene)


def test_the_rest_of_the_logbooks_is_a_list_that_scrolls_by_page_and_end(folder: Path) -> None:
    many(folder, 30)

    async def scene(screen: AppBench) -> None:
        await screen.press("down", "down", "down", "enter")
        await screen.come("Which logbook?")
        assert "Open job-29.zerofirst" in screen.text
        assert "Open job-00.zerofirst" not in screen.text
        listed = screen.app.screen.query_one(OptionList)
        assert listed.size.height < listed.option_count
        assert listed.region.bottom <= screen.app.size.height
        assert listed.show_vertical_scrollbar
        await screen.press("pagedown")
        assert listed.highlighted == 10
        await screen.press("end")
        assert listed.highlighted == listed.option_count - 1
        await screen.come("‹ go back")
        assert "Open job-00.zerofirst" in screen.text
        await screen.press("home")
        assert listed.highlighted == 0

    play(scene)


def test_logbooks_are_told_by_their_head_and_not_by_their_name_alone(folder: Path) -> None:
    (folder / "real.zerofirst").write_bytes(b"SQLite format 3\x00" + bytes(84))
    (folder / "fake.db").write_text("no logbook")
    (folder / "sub.db").mkdir()
    assert [path.name for path in nearby.logbooks(folder)] == ["real.zerofirst"]
    assert [path.name for path in nearby.plans(folder)] == ["booth.toml"]
