"""Timed runs as `show` finds them in a logbook: with their entries, through a drop-out, broken by a restart."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from gate_bench import LINE, RANGES, studio_plan

from logger.clock import ManualClock
from logger.happening import Disconnected, Filled, Gap, Identified, Read, Ready, Reconnected
from logger.job.plan import plan_body
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook
from logger.quantity import Displayed, Function, Relation
from logger.reading import Flag, Identity, Reading
from logger.recorder.core import Recorder
from logger.recorder.event import Event
from logger.rules.pack import load_pack
from logger.timed_log import timed_runs
from tui.cli.capture import sentences
from tui.cli.main import main
from tui.timed_words import entry_line
from tui.wiring import fold

KEY = OperatorKey.from_seed("zerofirst-operator/ada", bytes(range(32)))
IDENTITY = Identity("0417", "b1", "Example Works", "TM-2", "1.4", "2028-03-14", 87, "A")


class Sheet:
    """A logbook in earnest, and one meter whose readings are made here at ten a second."""

    def __init__(self, path: Path) -> None:
        self.path, self.clock = path, ManualClock()
        plan, pack = studio_plan(), load_pack("iec")
        first: list[tuple[Kind, dict[str, Any]]] = [
            (Kind.JOB, {"title": plan.title, "kind": plan.kind, "plan": plan_body(plan)}),
            (Kind.RULES, {"pack": pack.body}),
        ]
        Logbook.create(path, first, self.clock, KEY).close()
        self.book = Logbook.open(path, self.clock, KEY)
        with LogbookReader.open(path) as reader:
            self.recorder = Recorder(self.book, fold(reader, self.clock), self.clock, {LINE: "meter-line 1"})
        self.recorder.begin({"operator": "Ada", "host": "bench", "version": "test", "utc_offset_min": 0})
        self.n = self.ms = 0
        self.boot = "b1"
        self.heard: list[Event] = []
        self.take_in(Identified(LINE, 0, IDENTITY, True), Ready(LINE, 0, IDENTITY, RANGES))
        for point, value, relation in (("infinity", "1000", "gt"), ("zero", "0.00", "eq")):
            self.recorder.do({"do": "prove", "point": point, "function": "insulation", "voltage": "500"})
            self.read(0.3, lambda _, v=value: v, relation)  # type: ignore[misc]

    def take_in(self, *happenings: Any) -> None:
        self.recorder.take_in(list(happenings))
        self.heard += self.recorder.drain()

    def select(self, item: str = "C1") -> None:
        self.recorder.do({"do": "select", "item": item, "test": "insulation", "voltage": "500"})
        self.heard += self.recorder.drain()

    def made(self, seconds: float, value: Callable[[float], str], relation: str = "eq") -> list[Read]:
        """The readings of so many seconds, `value` by the seconds since their first."""
        made = []
        for k in range(round(seconds * 10)):
            self.n, self.ms = self.n + 1, self.ms + 100
            self.clock.advance(0.1)
            shown = Displayed(value(k / 10), "MOhm", Relation(relation))
            reading = Reading(self.n, Function.INSULATION, shown, self.ms, "2", "500")
            made.append(Read(LINE, self.clock.mono_ns(), "0417", self.boot, reading, False, 0, 0))
        return made

    def read(self, seconds: float, value: Callable[[float], str], relation: str = "eq") -> None:
        self.take_in(*self.made(seconds, value, relation))

    def apart(self, seconds: float = 0.5) -> None:
        self.read(seconds, lambda _: "1000", "gt")

    def show(self, capsys: pytest.CaptureFixture[str]) -> tuple[str, list[dict[str, Any]]]:
        self.book.close()
        assert main(["show", str(self.path)]) == 0
        words = capsys.readouterr().out
        assert main(["show", str(self.path), "--json"]) == 0
        return words, json.loads(capsys.readouterr().out)["timed_runs"]


@pytest.fixture
def sheet(tmp_path: Path) -> Sheet:
    return Sheet(tmp_path / "studio.db")


def rising(at_s: float) -> str:
    return f"{100 + at_s:.0f}"


def test_show_tells_the_marks_their_entries_and_the_ratios(sheet: Sheet, capsys: pytest.CaptureFixture[str]) -> None:
    sheet.select()
    sheet.apart()
    sheet.read(606, rising)
    sheet.apart()
    words, runs = sheet.show(capsys)
    assert "C1 insulation 500 V, line+neutral to earth, meter 0417: 30 s 130 MΩ [" in words
    assert "; DAR 1.23, PI 4.38" in words
    assert "never a verdict" in words
    assert "meets" not in words
    assert [(m["at_s"], m["value"], m["unit"], m["relation"]) for m in runs[0]["marks"]] == [
        (30, "130", "MOhm", "eq"),
        (60, "160", "MOhm", "eq"),
        (600, "700", "MOhm", "eq"),
    ]
    assert (runs[0]["dar"], runs[0]["pi"], runs[0]["missing"], runs[0]["ended"]) == ("1.23077", "4.375", "", "")
    with LogbookReader.open(sheet.path) as reader:
        for mark in runs[0]["marks"]:
            entry = reader.entry(mark["reading"])
            assert (entry.kind, entry.data["value"], entry.data["accepted"]) == (Kind.READING, mark["value"], True)


def test_a_drop_out_that_is_filled_costs_no_mark(sheet: Sheet, capsys: pytest.CaptureFixture[str]) -> None:
    sheet.select()
    sheet.read(25, rising)
    missing = sheet.made(10, lambda t: rising(25 + t))
    sheet.take_in(Disconnected(LINE, sheet.clock.mono_ns(), "the plug is out"))
    later = sheet.made(31, lambda t: rising(35 + t))
    first, last = missing[0].reading.n, missing[-1].reading.n
    sheet.take_in(Reconnected(LINE, sheet.clock.mono_ns(), 10**10), *later[:2], Gap(LINE, 0, "0417", "b1", first, last))
    stored = [replace(r, reading=replace(r.reading, flags=frozenset({Flag.STORED}))) for r in missing]
    sheet.take_in(*stored, Filled(LINE, 0, "0417", "b1", first, last), *later[2:])
    words, runs = sheet.show(capsys)
    assert "30 s 130 MΩ" in words
    assert runs[0]["dar"] == "1.23077"


def test_a_restart_breaks_the_run_and_is_told(sheet: Sheet, capsys: pytest.CaptureFixture[str]) -> None:
    sheet.select()
    sheet.read(45, rising)
    sheet.n = sheet.ms = 0
    sheet.boot = "b2"
    identity = replace(IDENTITY, boot="b2")
    sheet.take_in(Identified(LINE, 0, identity, True), Ready(LINE, 0, identity, RANGES))
    sheet.read(30, rising)
    words, runs = sheet.show(capsys)
    assert "no ratio; 60 s not reached; 10 min not reached; ended after 0:44: the meter restarted" in words
    assert (runs[0]["ended"], runs[0]["dar"]) == ("the meter restarted", None)
    assert len(runs) == 1, "what came after the restart was not proven and counts for nothing"


def test_what_reads_over_range_all_the_time_has_no_ratio(sheet: Sheet, capsys: pytest.CaptureFixture[str]) -> None:
    sheet.select()
    sheet.apart(70)
    words, runs = sheet.show(capsys)
    assert "30 s >1000 MΩ" in words
    assert "no ratio; out of range at 30 s; out of range at 60 s" in words
    assert runs[0]["dar"] is None


def test_ordinary_work_shows_no_timed_runs(sheet: Sheet, capsys: pytest.CaptureFixture[str]) -> None:
    for item in ("C1", "C2"):
        sheet.select(item)
        sheet.apart(40)
        sheet.read(5, lambda _: "412")
    words, runs = sheet.show(capsys)
    assert "Timed runs" not in words
    assert runs == []


def test_each_selection_and_conductors_have_their_own(sheet: Sheet) -> None:
    for item in ("C1", "C2"):
        sheet.select(item)
        sheet.apart()
        sheet.read(62, rising)
    sheet.book.close()
    with LogbookReader.open(sheet.path) as reader:
        found = timed_runs(reader)
    assert [each.selection.item for each in found] == ["C1", "C2"]
    assert [entry_line(each).partition(" ")[0] for each in found] == ["C1", "C2"]
    assert len({each.selection.entry for each in found}) == 2


def told_of(sheet: Sheet) -> list[str]:
    """What a person who follows `capture` is told of timed runs."""
    say = sentences()
    lines = [line for event in sheet.heard for line in say(event).split("\n")]
    return [re.sub(r" \[\d+\]", "", line.partition(" ")[2]) for line in lines if "Timed run" in line]


def test_capture_tells_a_person_as_each_mark_passes(sheet: Sheet) -> None:
    sheet.apart(40)
    sheet.select()
    sheet.apart(40)
    sheet.read(606, rising)
    sheet.apart()
    sheet.read(32, rising)
    assert told_of(sheet) == [
        "Timed run C1 insulation 500 V: at 30 s 130 MΩ",
        "Timed run C1 insulation 500 V: at 60 s 160 MΩ, DAR 1.23",
        "Timed run C1 insulation 500 V: at 10 min 700 MΩ, PI 4.38",
        "Timed run C1 insulation 500 V: at 30 s 130 MΩ",
    ]


def test_capture_tells_that_a_mark_was_missed(sheet: Sheet) -> None:
    sheet.select()
    sheet.read(25, rising)
    sheet.made(10, rising)
    sheet.take_in(Disconnected(LINE, sheet.clock.mono_ns(), "the plug is out"))
    sheet.take_in(Reconnected(LINE, sheet.clock.mono_ns(), 10**10))
    sheet.read(28, lambda t: rising(35 + t))
    assert [line.partition("500 V: ")[2] for line in told_of(sheet)] == ["at 30 s no reading", "at 60 s 160 MΩ, no DAR"]
