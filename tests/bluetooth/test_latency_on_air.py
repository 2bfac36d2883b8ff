"""From the arrival of a Bluetooth notification to the disk, at 200 readings a second, while the screen stalls.

The screen is the main thread, as in the app, and stalls for 80 ms out of every 100: asleep, as when it waits for a
terminal; or at work in Python, which takes the interpreter from every other thread, and is more than any screen does.
"""

from __future__ import annotations

import json
import sqlite3
import statistics
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from air_child import air_in_a_child
from private_bus import VARIABLE

from drivers import address
from drivers.links.ble_air import close_shared_air
from logger.clock import NS_PER_MS, SystemClock
from logger.job.plan import load_plan
from logger.recorder.event import Event
from tui.cli.new import start_logbook
from tui.wiring import Session

RATE = 200
STALL_MS, BREATH_MS = 80, 20
DISK_WITHIN_MS = 60.0
PLAN = Path(__file__).parents[2] / "drivers" / "simulator" / "sites" / "pottery-studio.plan.toml"
CLOCK = SystemClock()


def asleep() -> None:
    threading.Event().wait(STALL_MS / 1000)


def at_work() -> None:
    until_ns = CLOCK.mono_ns() + STALL_MS * NS_PER_MS
    while CLOCK.mono_ns() < until_ns:
        sum(range(100))


def latencies_ms(logbook: Path, stall: Callable[[], None], seconds: float, patch: pytest.MonkeyPatch) -> list[float]:
    """Record for so long with a screen that stalls; each reading's time from its arrival to its event, sorted."""
    told_ns: dict[int, int] = {}
    ready = threading.Event()

    def hear(events: Sequence[Event]) -> None:
        now_ns = CLOCK.mono_ns()
        for event in events:
            if event.name == "reading" and event.entry is not None:
                told_ns[event.entry] = now_ns
            elif event.name == "ready":
                ready.set()

    with air_in_a_child(1.0, []) as child:
        patch.setenv(VARIABLE, child.bus)
        patch.setenv("ZEROFIRST_KEYS", str(logbook.parent / "keys"))
        start_logbook(load_plan(PLAN), logbook)
        session = Session(logbook, [address.parse(f"{child.url}?rate={RATE}")], hear, CLOCK, end_on_failure=True)
        session.start()
        assert ready.wait(20)
        until_ns = CLOCK.mono_ns() + round(seconds * 1e9)
        while CLOCK.mono_ns() < until_ns:
            stall()
            threading.Event().wait(BREATH_MS / 1000)
        session.stop()
        session.wait(20)
        close_shared_air()
    return sorted(
        (told_ns[entry] - arrived_ns) / NS_PER_MS for entry, arrived_ns in arrivals(logbook) if entry in told_ns
    )


def arrivals(logbook: Path) -> list[tuple[int, int]]:
    """By reading entry: when the first of the chunks arrived that its newest bytes were written with."""
    arrived: dict[int, int] = {}
    found = []
    with sqlite3.connect(f"file:{logbook}?mode=ro", uri=True) as database:
        rows = database.execute("select number, kind, body from entries where kind in ('raw', 'reading')").fetchall()
    database.close()
    for number, kind, text in rows:
        body = json.loads(text)
        if kind == "raw":
            arrived[number] = int(body["mono_ns"])
        elif body["raw"]:
            found.append((number, arrived[body["raw"][-1]]))
    return found


def percentile(times: list[float], percent: int) -> float:
    return statistics.quantiles(times, n=100)[percent - 1]


def test_a_stalled_screen_keeps_no_reading_from_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    times = latencies_ms(tmp_path / "job.db", asleep, 2.5, monkeypatch)
    assert len(times) > RATE * 2.5 * 0.8
    assert percentile(times, 90) <= DISK_WITHIN_MS  # the share of every run; its 99th stands below


@pytest.mark.slow
@pytest.mark.parametrize("stall", [asleep, at_work])
def test_the_ninety_ninth_of_a_hundred_readings_is_on_disk_in_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stall: Callable[[], None]
) -> None:
    """Best of three: what else the machine does meanwhile is not the program's."""
    found: list[float] = []
    while not found or (min(found) > DISK_WITHIN_MS and len(found) < 3):
        folder = tmp_path / str(len(found))
        folder.mkdir()
        times = latencies_ms(folder / "job.db", stall, 20, monkeypatch)
        assert len(times) > RATE * 20 * 0.9
        found.append(percentile(times, 99))
    assert min(found) <= DISK_WITHIN_MS, found
