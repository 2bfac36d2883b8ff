"""An hour of work at 200 readings a second with the meter dropping out a hundred times, through the whole recorder.

The hour runs on a clock that is five times as fast (`flight.FastClock`): the meter, the rules and the recorder see an
hour, its 720,000 readings and the drop-outs of its script; the machine sees twelve minutes, and a thousand readings a
second with as many again while a gap is filled. Deadlines of Bluetooth calls stay in the machine's own time. The meter
and the air are another process; between them and the recorder stands an `org.bluez` on a real bus.
"""

from __future__ import annotations

import json
import queue
import random
import re
import sqlite3
import zlib
from base64 import b64decode
from collections.abc import Sequence
from pathlib import Path

import pytest
from air_child import Child, air_in_a_child
from flight import FastClock
from private_bus import VARIABLE

from drivers import address
from drivers.links.ble_air import close_shared_air
from logger.clock import SystemClock
from logger.job.plan import load_plan
from logger.proof import Lapse
from logger.recorder.event import Event
from tui.cli.new import start_logbook
from tui.wiring import Session

LAPSES_AFTER_S = 60.0
PLAN = Path(__file__).parents[2] / "drivers" / "simulator" / "sites" / "pottery-studio.plan.toml"
Drops = Sequence[tuple[float, str, float]]
FRAME = re.compile(rb"@((rd|ev) n=(\d+)[^*@]*)\*([0-9A-F]{8})\r?\n")


def script(count: int, long_every: int, work_s: tuple[float, float], seed: int) -> list[tuple[float, str, float]]:
    """Drop-outs, most of them short, every so many longer than a proof lasts; between them the operator works."""
    source = random.Random(seed)
    at_s, drops = work_s[1], []
    for number in range(count):
        seconds = 62.0 if number % long_every == long_every // 2 else source.uniform(0.5, 12)
        drops.append((at_s, "disconnect", seconds))
        at_s += seconds + source.uniform(*work_s)
    return drops


class Operator:
    """Proves the meter whenever its proof has lapsed, and leaves it on a circuit otherwise."""

    def __init__(self, session: Session, child: Child, events: queue.Queue[Event]) -> None:
        self._session = session
        self._child = child
        self._events = events
        self._back = 0
        self._missing: set[int] = set()
        self._is_fresh = False  # it is back, and what it missed was not told yet

    def work_until(self, drops: int, limit_s: float) -> None:
        """Work until the meter has come back that many times, and every gap is filled or given up."""
        clock = SystemClock()
        deadline_ns = clock.mono_ns() + round(limit_s * 1e9)
        self._prove()
        while self._back < drops or self._is_fresh or self._missing:
            if self._next().name == "lapsed":
                self._prove()
            assert clock.mono_ns() < deadline_ns, f"only {self._back} of {drops} drop-outs were over in time"

    def _next(self) -> Event:
        event = self._events.get(timeout=30)
        self._back += event.name == "reconnected"
        self._is_fresh = event.name == "reconnected" or (self._is_fresh and event.name != "gap")
        if event.name in {"gap", "filled", "lost"}:
            numbers = range(int(event.fields["first"]), int(event.fields["last"]) + 1)
            (self._missing.update if event.name == "gap" else self._missing.difference_update)(numbers)
        return event

    def _prove(self) -> None:
        for leads, point in (("open", "infinity"), ("short", "zero")):
            self._child.command(f"leads {leads}")
            while not self._checked(point):
                pass  # the meter dropped out meanwhile: once more
        self._child.command("leads C1")

    def _checked(self, point: str) -> bool:
        self._session.submit({"do": "prove", "point": point, "function": "insulation", "voltage": 500})
        while True:
            event = self._next()
            if event.name == "proof" or (event.name == "refused" and event.fields.get("do") == "prove"):
                return event.fields.get("outcome") == "pass"


def record(logbook: Path, drops: Drops, speed: float, rate: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work through the drop-outs, from the first connection to the halt."""
    with air_in_a_child(speed, list(drops)) as child:
        monkeypatch.setenv(VARIABLE, child.bus)
        monkeypatch.setenv("ZEROFIRST_KEYS", str(logbook.parent / "keys"))
        start_logbook(load_plan(PLAN), logbook)
        events: queue.Queue[Event] = queue.Queue()

        def hear(batch: Sequence[Event]) -> None:
            for event in batch:
                events.put(event)

        session = Session(
            logbook,
            [address.parse(f"{child.url}?rate={rate}")],
            hear,
            FastClock(speed),
            end_on_failure=True,
        )
        session.start()
        try:
            hours_s = drops[-1][0] + drops[-1][2]
            Operator(session, child, events).work_until(len(drops), 2 * hours_s / speed + 60)
        finally:
            session.stop()
            outcome = session.wait(30)
            close_shared_air()
        assert outcome is not None
        assert outcome.error is None


def entries(logbook: Path, *kinds: str) -> list[tuple[int, str, dict[str, object]]]:
    with sqlite3.connect(f"file:{logbook}?mode=ro", uri=True) as database:
        marks = ",".join("?" * len(kinds))
        rows = database.execute(f"select number, kind, body from entries where kind in ({marks})", kinds).fetchall()
    database.close()
    return [(number, kind, json.loads(body)) for number, kind, body in rows]


def frames_in(raw: bytes) -> tuple[set[int], set[int]]:
    """The numbers of the readings and of the events among whole frames, by an eye of our own."""
    readings: set[int] = set()
    events: set[int] = set()
    for match in FRAME.finditer(raw):
        if f"{zlib.crc32(match[1]):08X}".encode() == match[4]:
            (readings if match[2] == b"rd" else events).add(int(match[3]))
    return readings, events


def check_the_account(logbook: Path, drops: int, rate: int, least_work_s: float) -> None:
    """Every number was recorded once or told as lost; proofs ended when a minute was over, and not before."""
    raw = b"".join(b64decode(str(body["data"])) for _, _, body in entries(logbook, "raw"))
    readings, events = frames_in(raw)
    recorded: set[int] = set()
    again: set[int] = set()
    for number, _, body in entries(logbook, "reading"):
        n = int(str(body["n"]))
        if "repeat" in body["reasons"]:  # type: ignore[operator]
            again.add(n)
        else:
            assert n not in recorded, f"entry {number} records reading {n} a second time"
            recorded.add(n)
    lost = {
        n for _, _, body in entries(logbook, "lost") for n in range(int(str(body["first"])), int(str(body["last"])) + 1)
    }
    assert recorded | again <= readings
    assert readings - recorded <= lost  # it came before the meter said who it is, or after it was given up
    assert not recorded & lost
    assert recorded | events | lost == set(range(1, max(recorded) + 1))
    filled = sum(int(str(body["last"])) - int(str(body["first"])) + 1 for _, _, body in entries(logbook, "filled"))
    assert filled > 0  # how much is given up instead is up to the machine: a patience of three seconds lasts a fraction
    assert max(recorded) > drops * rate * least_work_s * 0.9  # it streamed all the time that it could
    check_the_proofs(logbook, drops)


def check_the_proofs(logbook: Path, drops: int) -> None:
    points: set[object] = set()
    due: list[int] = []
    back = 0
    for number, kind, body in entries(logbook, "self-check", "lapsed", "reconnected"):
        if kind == "self-check" and body["outcome"] == "pass":
            points.add(body["point"])
        elif kind == "reconnected":
            back += 1
            if float(str(body["away_s"])) > LAPSES_AFTER_S and points:
                due.append(number)
        elif kind == "lapsed":
            assert body["why"] == Lapse.LINE_LOST
            assert due, f"entry {number} ends a proof that should stand"
            assert number == due.pop() + 1
            points.clear()
    assert not due
    assert back == drops


def test_two_minutes_with_drop_outs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    logbook = tmp_path / "job.db"
    record(logbook, script(2, 2, work_s=(6, 9), seed=1), speed=10, rate=50, monkeypatch=monkeypatch)
    check_the_account(logbook, 2, rate=50, least_work_s=6)


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_an_hour_with_a_hundred_drop_outs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    logbook = tmp_path / "job.db"
    record(logbook, script(100, 20, work_s=(15, 30), seed=2), speed=5, rate=200, monkeypatch=monkeypatch)
    check_the_account(logbook, 100, rate=200, least_work_s=15)
