"""Honest logbooks come out clean: whatever the meters, the lines, the machine and the operator did to them."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest
from working_day import Day, DriversAtHand, bad_days, good_day, new_logbook, wires_for

from drivers.links.memory import Delivery, lost, whole
from logger.audit.desk import Audit, Outcome, Task, look_across, perform
from logger.audit.finding import Weight
from logger.audit.rederive import Part, rederive
from logger.clock import ManualClock
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader

SHARE = (2, 5, 7, 8, 9, 15, 32, 44)
"""Seeds of the small share: two meters, two that say they are one, hurt wires, little memory, meters that only talk,
appliances, live tests, keyed readings, clocks that are set."""


def audited(path: Path) -> Audit:
    audit = Audit(path)
    audit.outcome = perform(path, Task.ALL, DriversAtHand())
    look_across([audit])
    return audit


def check_bad_days(path: Path, seed: int) -> None:
    bad_days(path, seed)
    before = path.read_bytes()
    audit = audited(path)
    again, integrity = audit.outcome.rederivation, audit.outcome.integrity
    assert again is not None
    assert integrity is not None
    assert [each.sentence for each in again.differences] == []
    assert again.unchecked == ()
    assert integrity.faults == ()
    assert not audit.altered
    assert not [each for each in audit.findings if each.weight is Weight.BREACH]
    counts, kinds = again.counts, integrity.kinds
    assert counts["readings"] == counts.get("accepted", 0) + counts.get("turned away", 0) == kinds["reading"]
    assert counts.get("damaged", 0) == kinds.get("damaged", 0)
    assert path.read_bytes() == before


@pytest.mark.parametrize("seed", SHARE)
def test_bad_days_are_derived_again(tmp_path: Path, seed: int) -> None:
    check_bad_days(tmp_path / "job.db", seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(240))
def test_many_bad_days_are_derived_again(tmp_path: Path, seed: int) -> None:
    check_bad_days(tmp_path / "job.db", seed)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_good_day_comes_out_with_nothing_of_weight(tmp_path: Path, seed: int) -> None:
    good_day(tmp_path / "job.db", seed)
    audit = audited(tmp_path / "job.db")
    assert audit.exit_code == 0
    assert [each.sentence for each in audit.findings if each.weight is not Weight.NOTE] == []
    assert audit.outcome.integrity is not None
    assert audit.outcome.integrity.sealed
    assert audit.outcome.facts is not None
    assert audit.outcome.facts.closed
    assert audit.outcome.facts.results == 7


def test_an_open_unfinished_day_is_no_breach(tmp_path: Path) -> None:
    async def nothing(_day: object) -> None:
        return

    good_day(tmp_path / "job.db", 4, nothing)
    audit = audited(tmp_path / "job.db")
    assert audit.exit_code == 0
    assert audit.outcome.facts is not None
    assert not audit.outcome.facts.closed


def test_the_tasks_of_a_large_logbook_together_say_what_one_says(tmp_path: Path) -> None:
    path = tmp_path / "job.db"
    bad_days(path, 2)
    at_once = perform(path, Task.ALL, DriversAtHand())
    parts = Outcome()
    for task in (Task.BYTES, Task.READINGS, Task.INTEGRITY):
        parts = parts.and_also(perform(path, task, DriversAtHand()))
    assert parts.rederivation == at_once.rederivation
    assert parts.integrity == at_once.integrity
    assert sorted(parts.findings, key=repr) == sorted(at_once.findings, key=repr)
    assert {each.code for each in parts.extracts} == {each.code for each in at_once.extracts}
    assert parts.facts == at_once.facts


def test_every_byte_that_came_is_accounted_for(tmp_path: Path) -> None:
    path = tmp_path / "job.db"
    bad_days(path, 5)
    with LogbookReader.open(path) as reader:
        again = rederive(reader, DriversAtHand(), parts=[Part.DECODE])
        ends: dict[tuple[int, str], int] = {}
        session = stored = 0
        for entry in reader.entries(kinds=[Kind.OPENED, Kind.RAW]):
            if entry.kind == Kind.OPENED:
                session = entry.number
                continue
            data = entry.data
            length = len(data["data"]) * 3 // 4 - data["data"].count("=")
            assert data["offset"] == ends.get((session, data["line"]), 0)
            ends[(session, data["line"])] = data["offset"] + length
            stored += length
    assert again.counts["raw bytes"] == stored == sum(ends.values())


def test_a_doubt_from_an_event_that_came_late_is_derived_again(tmp_path: Path) -> None:
    """The event is lost on the line twice; a reading after it is taken before the meter has sent it again."""
    path, clock = tmp_path / "job.db", ManualClock(datetime(2027, 3, 1, 9, tzinfo=UTC))
    losses = iter([lost, lost])

    def unlucky(data: bytes) -> Iterable[Delivery]:
        return next(losses, whole)(data) if b"ev=leads-changed" in data else whole(data)

    async def leads_changed_unheard(day: Day) -> None:
        await day.wait(2)
        await day.prove("insulation", "500")
        await day.take("C1", "insulation", "insulation", 4, voltage="500")
        day.hands("change leads")
        await day.wait(0.5)
        await day.do("take")
        await day.wait(3)

    new_logbook(path, clock)
    (wire,) = wires_for(clock, 6)
    wire.fates = (unlucky, unlucky)
    wire.plug_anew()
    day = Day(path, clock, [wire], Random(6))
    asyncio.run(day.run(leads_changed_unheard))
    (doubted,) = [each.fields["doubts"] for each in day.heard if each.name == "lapsed" and "doubts" in each.fields]
    assert doubted == [each.entry for each in day.heard if each.name == "result"][1:]
    audit = audited(path)
    assert audit.outcome.rederivation is not None
    assert [each.sentence for each in audit.outcome.rederivation.differences] == []
    assert [each.entries for each in audit.findings if "told late" in each.sentence] == [tuple(doubted)]


@pytest.mark.parametrize("killed", [False, True])
def test_a_gap_that_is_half_filled_at_the_end_is_lost_by_half(tmp_path: Path, killed: bool) -> None:
    path, clock = tmp_path / "job.db", ManualClock(datetime(2027, 3, 1, 9, tzinfo=UTC))
    new_logbook(path, clock)
    (wire,) = wires_for(clock, 4)
    never = (b" n=12 ", b" n=13 ")

    def unlucky(data: bytes) -> Iterable[Delivery]:
        yield Delivery(b"".join(f for f in data.splitlines(keepends=True) if not any(n in f for n in never)))

    async def half(day: Day) -> None:
        await day.wait(0.9)
        day.hands("line silence 0.6")
        await day.wait(1.2)

    wire.fates = (unlucky, unlucky)
    wire.plug_anew()
    asyncio.run(Day(path, clock, [wire], Random(4)).run(half, killed=killed))
    again = Day(path, clock, wires_for(clock, 5), Random(5))
    asyncio.run(again.run(lambda day: day.wait(1)))
    with LogbookReader.open(path) as reader:
        readings = [entry.data["n"] for entry in reader.entries(kinds=[Kind.READING])]
        lost_ones = [(entry.data["first"], entry.data["last"]) for entry in reader.entries(kinds=[Kind.LOST])]
    assert {9, 10, 11, 14} <= set(readings)
    assert lost_ones == [(12, 13)]
    audit = audited(path)
    assert audit.outcome.rederivation is not None
    assert [each.sentence for each in audit.outcome.rederivation.differences] == []


def test_progress_is_told(tmp_path: Path) -> None:
    path = tmp_path / "job.db"
    bad_days(path, 3, sessions=1, actions=14)
    told: list[tuple[int, int]] = []
    with LogbookReader.open(path) as reader:
        rederive(reader, DriversAtHand(), lambda done, total: told.append((done, total)))
        assert told
        assert {total for _, total in told} == {reader.size}
        assert [done for done, _ in told] == sorted(done for done, _ in told)
