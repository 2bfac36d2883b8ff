"""What an auditor is told of a day: each finding where there is something to it, with its weight, and nowhere else."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Coroutine
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest
from working_day import SOUND, Day, DriversAtHand, Wire, good_day, new_logbook

from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from logger.audit.desk import Audit, Task, look_across, perform
from logger.audit.finding import Finding, Weight
from logger.audit.looks import LOOKS, Looking
from logger.clock import ManualClock
from logger.job.plan import plan_body
from logger.logbook.entries import Entry, Kind
from logger.rules.pack import load_pack

Script = Callable[[Day], Coroutine[Any, Any, None]]


def findings_of(path: Path) -> dict[str, list[Finding]]:
    audit = Audit(path)
    audit.outcome = perform(path, Task.ALL, DriversAtHand())
    look_across([audit])
    assert not audit.altered
    found: dict[str, list[Finding]] = {}
    for each in audit.findings:
        assert each.sentence.endswith((".", ")"))
        found.setdefault(each.code, []).append(each)
    return found


def after_a_good_day(folder: Path, *scripts: Script) -> dict[str, list[Finding]]:
    good_day(folder / "job.db", 1, *scripts)
    return findings_of(folder / "job.db")


def weights(found: dict[str, list[Finding]], code: str) -> list[Weight]:
    return [each.weight for each in found.get(code, [])]


def test_every_look_has_a_file_of_its_own() -> None:
    modules = [look.__module__ for look in LOOKS]
    assert len(set(modules)) == len(modules)
    assert all(name.startswith("logger.audit.findings.") for name in modules)


async def keyed_one(day: Day) -> None:
    await day.do("select", item="C1", test="insulation", voltage="500")
    for value in ("412", "380"):
        await day.do("key", value=value, unit="MOhm", function="insulation", voltage="500")


def test_keyed_readings_are_counted_with_who_keyed_them(tmp_path: Path) -> None:
    [found] = after_a_good_day(tmp_path, keyed_one)["keyed"]
    assert found.weight is Weight.NOTE
    assert "2 readings were keyed by hand (Ada 2)" in found.sentence


async def left_out(day: Day) -> None:
    await day.do("alter", what="LK1", to="out", why="it would join neutral to earth under test")


def test_what_is_not_put_back_is_told(tmp_path: Path) -> None:
    found = after_a_good_day(tmp_path, left_out)
    assert weights(found, "restoring") == [Weight.NOTE]
    assert "LK1" in found["restoring"][0].sentence


async def one_more_result(day: Day) -> None:
    await day.take("C1", "insulation", "insulation", 8, voltage="500")


async def a_failed_check(day: Day) -> None:
    await one_more_result(day)
    day.hands("leads short")
    await day.wait(1)
    await day.do("prove", point="infinity", function="insulation", voltage="500")


def test_results_without_a_closing_check_and_in_doubt(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    assert weights(after_a_good_day(tmp_path / "a", one_more_result), "brackets") == [Weight.NOTE]
    doubted = after_a_good_day(tmp_path / "b", a_failed_check)
    assert weights(doubted, "brackets") == [Weight.DOUBT]
    assert "insulation on C1" in doubted["brackets"][0].sentence


def test_missing_work_and_reasons(tmp_path: Path) -> None:
    path = tmp_path / "job.db"
    clock = ManualClock(datetime(2027, 3, 1, 9, tzinfo=UTC))
    new_logbook(path, clock)
    day = Day(path, clock, [], Random(1))

    async def script(day: Day) -> None:
        await day.do("skip", item="C3", test="earth-continuity", why="behind a wall")

    asyncio.run(day.run(script))
    found = findings_of(path)
    assert weights(found, "work") == [Weight.NOTE, Weight.NOTE]
    assert "6 required tests" in found["work"][0].sentence
    assert "behind a wall" in found["work"][1].sentence


def test_parts_that_no_test_reached_are_named(tmp_path: Path) -> None:
    found = after_a_good_day(tmp_path)
    assert weights(found, "unreached") == [Weight.NOTE]
    assert "C3/S2" in found["unreached"][0].sentence


@pytest.mark.parametrize(("by_s", "weight"), [(3600, Weight.DOUBT), (-7200, Weight.DOUBT), (90, Weight.NOTE)])
def test_a_clock_that_is_set_is_noticed(tmp_path: Path, by_s: float, weight: Weight) -> None:
    async def set_clock(day: Day) -> None:
        await day.wait(4)
        day.clock.jump_wall(by_s)
        await day.wait(8)

    found = after_a_good_day(tmp_path, set_clock)
    assert weights(found, "clocks") == [weight]
    assert ("forward" if by_s > 0 else "back") in found["clocks"][0].sentence


@pytest.mark.parametrize("by_s", [-7200, -5, 3600])
def test_a_clock_that_is_set_in_the_first_seconds_is_noticed(by_s: float) -> None:
    """So few bytes have come that nothing but the order of their times tells."""
    told = Told()
    told.entry(Kind.OPENED)
    for _ in range(3):
        told.raw()
    told.clock.jump_wall(by_s)
    for _ in range(30):
        told.raw()
    [found] = told.found("clocks")
    assert ("forward" if by_s > 0 else "back") in found.sentence
    assert found.weight is (Weight.DOUBT if abs(by_s) >= 600 else Weight.NOTE)


def test_a_clock_set_back_and_forth_is_told_twice() -> None:
    told = Told()
    told.entry(Kind.OPENED)
    for jump_s in (0, -3600, 3600):
        told.clock.jump_wall(jump_s)
        for _ in range(50):
            told.raw()
    [found] = told.found("clocks")
    assert "set 2 times" in found.sentence


@pytest.mark.parametrize("before", [5, 47])
def test_a_clock_that_is_set_forward_in_the_last_seconds_is_noticed(before: int) -> None:
    told = Told()
    told.entry(Kind.OPENED)
    for _ in range(before):
        told.raw()
    told.clock.jump_wall(3600)
    for _ in range(6):
        told.raw()
    [found] = told.found("clocks")
    assert "forward" in found.sentence


def test_a_disk_that_stalls_in_the_last_seconds_is_no_clock_that_is_set() -> None:
    told = Told()
    told.entry(Kind.OPENED)
    for _ in range(25):
        told.raw()
    came_ns = told.clock.mono_ns()
    told.clock.advance(40)
    for k in range(8):  # they came meanwhile, and are stored at once
        told.entry(Kind.RAW, 0.001, mono_ns=came_ns + k * 1_000_000_000)
    assert told.found("clocks") == []


def test_a_clock_that_is_corrected_slowly_is_no_clock_that_is_set() -> None:
    """As a network corrects it, a second in 2000 at most, hours without a byte among them; and after a new start."""
    told = Told()
    for sign in (1, -1):
        told.entry(Kind.OPENED)
        for k in range(400):
            pause_s = 5 * 3600 if k == 200 else 20
            told.clock.jump_wall(sign * pause_s * 0.0004)
            told.raw(pause_s)
        told.boot_ns = told.clock.mono_ns()
    assert told.found("clocks") == []


def test_a_stalled_disk_is_no_clock_that_is_set(tmp_path: Path) -> None:
    async def stall(day: Day) -> None:
        day.chance = Random(99)
        day.chance.random = lambda: 1.0  # type: ignore[method-assign]
        await day.wait(8)
        day.chance = Random(1)
        await day.wait(8)

    assert "clocks" not in after_a_good_day(tmp_path, stall)


def a_day_with(path: Path, *, fates: Any = SOUND, **meter: Any) -> Day:
    clock = ManualClock(datetime(2027, 3, 1, 9, tzinfo=UTC))
    new_logbook(path, clock)
    site = load_site("pottery-studio")
    site = replace(site, meter=replace(site.meter, **meter))
    return Day(path, clock, [Wire("memory:0", SimulatedMeter(site, seed=1), clock, fates)], Random(1))


async def one_result(day: Day) -> None:
    await day.wait(2)
    await day.prove("insulation", "500")
    await day.take("C1", "insulation", "insulation", 6, voltage="500")
    await day.prove("insulation", "500")


@pytest.mark.parametrize(
    ("until", "expected"),
    [("2026-12-31", [Weight.DOUBT]), ("2027-03-01", []), ("", [Weight.NOTE]), ("next year", [Weight.NOTE])],
)
def test_calibration_past_its_date(tmp_path: Path, until: str, expected: list[Weight]) -> None:
    day = a_day_with(tmp_path / "job.db", calibrated_until=until)
    asyncio.run(day.run(one_result))
    assert weights(findings_of(tmp_path / "job.db"), "calibration") == expected


def test_lost_and_damaged_readings_are_counted(tmp_path: Path) -> None:
    async def script(day: Day) -> None:
        await one_result(day)
        day.hands("line lost-frame 40")
        await day.wait(6)
        day.hands("line bit-flip 2")
        await day.wait(2)

    day = a_day_with(tmp_path / "job.db", memory=5)
    asyncio.run(day.run(script))
    found = findings_of(tmp_path / "job.db")
    assert weights(found, "losses") == [Weight.NOTE, Weight.NOTE]
    assert "numbers that meters counted never came" in found["losses"][0].sentence


def test_a_session_that_was_cut_short(tmp_path: Path) -> None:
    day = a_day_with(tmp_path / "job.db")
    asyncio.run(day.run(one_result, killed=True))
    day.clock.advance(5)
    again = Day(tmp_path / "job.db", day.clock, [], Random(2))
    asyncio.run(again.run(left_out))
    assert weights(findings_of(tmp_path / "job.db"), "sessions") == [Weight.NOTE]


# -- entries made by hand, where a day would be long ------------------------------------------------------------------


class Told:
    """Looking at entries made by hand, on the studio's plan."""

    def __init__(self) -> None:
        self.looking = Looking()
        self.number = 0
        self.clock = ManualClock(datetime(2027, 3, 1, 9, tzinfo=UTC))
        plan = load_site("pottery-studio").plan
        self.entry(Kind.JOB, plan=plan_body(plan))
        self.entry(Kind.RULES, pack=dict(load_pack(plan.rules).body))

    def entry(self, kind: Kind, after_s: float = 1.0, **body: Any) -> int:
        self.clock.advance(after_s)
        self.number += 1
        at = self.clock.utc().strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        self.looking.take(Entry(self.number, at, kind, "", b""), json.loads(json.dumps(body)))
        return self.number

    boot_ns = 0
    """When the computer was started, on the clock of all of it."""

    def raw(self, after_s: float = 1.0) -> int:
        return self.entry(Kind.RAW, after_s, mono_ns=self.clock.mono_ns() + round(after_s * 1e9) - self.boot_ns)

    def result(self, item: str, verdict: str = "meets", value: str = "400", after_s: float = 10.0, **more: Any) -> int:
        body: dict[str, Any] = {
            "item": item,
            "test": "insulation",
            "verdict": verdict,
            "value": value,
            "unit": "MOhm",
            "relation": "eq",
            "between": "L+N/PE",
            "voltage": "500",
            "serial": "0417",
            "origin": "meter",
            "reading": 1,
            "proof": {"function": "insulation", "voltage": "500"},
            "half_width_base": "12000000",
        }
        return self.entry(Kind.RESULT, after_s, **{**body, **more})

    def found(self, code: str) -> list[Finding]:
        self.looking.finish()
        return [each for each in self.looking.findings() if each.code == code]


def test_a_pace_that_no_hand_keeps() -> None:
    slow, fast, hurried = Told(), Told(), Told()
    for k in range(40):
        slow.result(f"C{1 + k % 3}", after_s=12)
        fast.result(f"C{1 + k % 3}", after_s=0.4)
        hurried.result(f"C{1 + k % 3}", after_s=0.4 if k % 10 == 5 else 12)
    assert slow.found("pace") == []
    assert [each.weight for each in fast.found("pace")] == [Weight.DOUBT]
    assert [each.weight for each in hurried.found("pace")] == [Weight.NOTE]


def test_results_picked_from_many_takes() -> None:
    picked, mended, twice = Told(), Told(), Told()
    for told in (picked, mended):
        for _ in range(6):
            told.result("C2", "fails", "0.4")
        if told is mended:
            told.entry(Kind.NOTE, text="the cable behind the joint was replaced")
        told.result("C2")
    twice.result("C2", "fails", "0.4")
    twice.result("C2")
    assert [each.weight for each in picked.found("takes")] == [Weight.DOUBT, Weight.NOTE]
    assert "failed 6 times in a row" in picked.found("takes")[0].sentence
    assert [each.weight for each in mended.found("takes")] == [Weight.NOTE]
    assert twice.found("takes") == []


def test_a_whole_that_reads_better_than_its_parts() -> None:
    told = Told()
    for item in ("C1", "C2", "C3"):
        told.result(item, value="2", half_width_base="80000")
    entry = told.result("DB1", value="400")
    [found] = told.found("physics")
    assert found.weight is Weight.DOUBT
    assert entry in found.entries
    fits = Told()
    for item in ("C1", "C2", "C3"):
        fits.result(item, value="2", half_width_base="80000")
    fits.result("DB1", value="0.67", half_width_base="40000")
    assert fits.found("physics") == []


def test_a_result_made_at_another_voltage_than_its_own() -> None:
    told = Told()
    for output in ("2", "505"):
        reading = told.entry(
            Kind.READING,
            function="insulation",
            accepted=True,
            value="5.00",
            unit="MOhm",
            relation="eq",
            voltage="500",
            output_voltage=output,
            serial="0417",
            reasons=[],
            origin="meter",
        )
        told.result("C1" if output == "2" else "C2", reading=reading)
    [found] = told.found("physics")
    assert found.weight is Weight.DOUBT
    assert "Only 2 V of 500 V were on the leads" in found.sentence
    assert len(found.entries) == 2


def test_a_figure_that_is_less_than_its_leads() -> None:
    told = Told()
    continuity = {"test": "earth-continuity", "unit": "Ohm", "between": "PE", "voltage": None, "limit": None}
    told.result("C1", value="0.20", lead_ohm="0.30", **continuity)
    told.result("C2", value="0.40", lead_ohm="0.30", **continuity)
    [found] = told.found("physics")
    assert "less than the leads alone" in found.sentence


def test_live_tests_begun_before_the_dead_ones_stood() -> None:
    told = Told()
    body: dict[str, Any] = {
        "item": "C1",
        "test": "earth-loop",
        "voltage": None,
        "between": "L/PE",
        "setting": {},
        "meter": None,
    }
    told.entry(Kind.SELECTION, **body)
    told.entry(Kind.SELECTION, **body, override="the supply was on already")
    [found] = told.found("overrides")
    assert (found.weight, found.entries) == (Weight.NOTE, (4,))


def test_bodies_that_no_recorder_writes_end_no_look() -> None:
    told = Told()
    for kind in Kind:
        told.entry(kind)
        told.entry(kind, item=[], test={}, serial=None, reasons=7, first="x", last=None, value="y", accepted=True)
    told.looking.finish()
    assert all(isinstance(each, Finding) for each in told.looking.findings())
    assert told.looking.extracts()
