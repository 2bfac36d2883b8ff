"""`trend`: insulation over several logbooks, as read and at one temperature; never a verdict."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from gate_bench import LINE, RANGES, Bench, studio_plan
from hypothesis import given
from hypothesis import strategies as st

from logger.bodies import Body
from logger.clock import ManualClock
from logger.happening import Identified, Read, Ready
from logger.job.plan import plan_body
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook
from logger.quantity import Displayed, Function, Relation
from logger.reading import Identity, Reading
from logger.recorder.core import Recorder
from logger.rules.pack import load_pack
from logger.trend import TrendKey, TrendPoint
from tui.cli.main import main
from tui.wiring import fold

KEY = OperatorKey.from_seed("zerofirst-operator/ada", bytes(range(32)))
IDENTITY = Identity("0417", "b1", "Example Works", "TM-2", "1.4", "2028-03-14", 87, "A")

Taken = tuple[str, str, str | None]
"""Value, relation and temperature of one result."""


def logbook(path: Path, *taken: Taken, days: int = 0, title: str = "Kiln shed rewire", doubt: bool = False) -> Path:
    """A logbook with these insulation results of C1, begun so many days later than the others."""
    clock, plan, pack = ManualClock(), replace(studio_plan(), title=title), load_pack("iec")
    clock.advance(days * 86_400)
    first: list[tuple[Kind, Body]] = [
        (Kind.JOB, {"title": plan.title, "kind": plan.kind, "plan": plan_body(plan)}),
        (Kind.RULES, {"pack": pack.body}),
    ]
    Logbook.create(path, first, clock, KEY).close()
    book = Logbook.open(path, clock, KEY)
    with LogbookReader.open(path) as reader:
        recorder = Recorder(book, fold(reader, clock), clock, {LINE: "meter-line 1"})
    recorder.begin({"operator": "Ada", "host": "bench", "version": "test", "utc_offset_min": 0})
    recorder.take_in([Identified(LINE, 0, IDENTITY, True), Ready(LINE, 0, IDENTITY, RANGES)])
    n = 0

    def read(value: str, relation: str, temperature: str | None = None) -> None:
        nonlocal n
        n += 1
        clock.advance(1)
        shown = Displayed(value, "MOhm", Relation(relation))
        reading = Reading(n, Function.INSULATION, shown, n * 1000, "", "500", temperature=temperature)
        recorder.take_in([Read(LINE, clock.mono_ns(), "0417", "b1", reading, False, 0, 0)])

    def check(point: str, value: str, relation: str) -> None:
        recorder.do({"do": "prove", "point": point, "function": "insulation", "voltage": "500"})
        for _ in range(3):
            read(value, relation)

    check("infinity", "1000", "gt")
    check("zero", "0.00", "eq")
    recorder.do({"do": "select", "item": "C1", "test": "insulation", "voltage": "500"})
    for value, relation, temperature in taken:
        read(value, relation, temperature)
        recorder.do({"do": "take"})
    if doubt:
        check("zero", "0.90", "eq")
    book.close()
    return path


def told(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["trend", *words]) == 0
    return capsys.readouterr().out


def test_over_two_logbooks_oldest_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    later = logbook(tmp_path / "spring.db", ("50.0", "eq", "30"), days=180)
    first = logbook(tmp_path / "autumn.db", ("200", "eq", "10"))
    out = told(capsys, str(later), str(first))
    lines = out.splitlines()
    assert lines[0] == "C1 Kiln, insulation 500 V, line+neutral to earth:"
    assert "200 MΩ at 10 °C, 100 MΩ at 20 °C" in lines[1]
    assert lines[1].endswith("autumn.db")
    assert "50.0 MΩ at 30 °C, 100 MΩ at 20 °C" in lines[2]
    assert "never for a verdict" in lines[3]
    assert "meets" not in out
    assert "fails" not in out


def test_as_json_with_another_reference(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = logbook(tmp_path / "a.db", ("200", "eq", "20"), ("1000", "gt", "20.0"), ("412", "eq", None))
    record: dict[str, Any] = json.loads(told(capsys, str(path), "--to", "313.15 K", "--json"))
    assert (record["item"], record["voltage"], record["between"], record["to"]) == ("C1", "500", "L+N/PE", "40.00")
    results = record["results"]
    assert [each["value"] for each in results] == ["200", "1000", "412"]
    assert [each["relation"] for each in results] == ["eq", "gt", "eq"]
    assert [each["normalised"] for each in results] == ["50.00000000", "250.0000000", None]
    assert [each["temperature"] for each in results] == ["20", "20.0", None]
    assert "verdict" not in record


def test_over_range_stays_a_bound_and_doubt_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(capsys, str(logbook(tmp_path / "a.db", ("1000", "gt", "10"), doubt=True)))
    assert ">1000 MΩ at 10 °C, >500 MΩ at 20 °C, in doubt" in out


def test_what_has_no_temperature_is_shown_as_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "412 MΩ temperature not recorded" in told(capsys, str(logbook(tmp_path / "a.db", ("412", "eq", None))))


def test_different_jobs_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = [
        str(logbook(tmp_path / f"{k}.db", ("412", "eq", "20"), title=title))
        for k, title in enumerate(("Kiln shed rewire", "Glaze room"))
    ]
    assert "different jobs: see that the items are the same" in told(capsys, *paths)
    assert "different jobs" not in told(capsys, paths[0])


def test_wrong_calls(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(logbook(tmp_path / "a.db", ("412", "eq", "20")))
    for words, part in (
        (["--item", "C9"], 'No insulation result stands for "C9": there are results for C1.'),
        (["--to", "4000"], "No insulation is at that temperature"),
        (["--to", "20 V"], "is a voltage, not a temperature"),
    ):
        assert main(["trend", path, *words]) == 2
        assert part in capsys.readouterr().err
    assert "No insulation result stands" in told(capsys, str(logbook(tmp_path / "b.db")))


@given(st.integers(1, 10**6), st.integers(-30, 60), st.integers(-30, 60))
def test_the_rule_halves_for_ten_kelvins_and_there_and_back_is_nothing(value: int, at: int, to: int) -> None:
    key = TrendKey("C1", "L+N/PE", "500")
    shown = Displayed(str(value), "kOhm")
    point = TrendPoint(key, "2027-03-01T09:00:00.000000Z", 1, 1, shown, Decimal(at), in_doubt=False)
    there = point.normalised_mohm(Decimal(to))
    ten_up = point.normalised_mohm(Decimal(to + 10))
    assert there is not None
    assert ten_up is not None
    assert abs(ten_up * 2 - there) <= there * Decimal("1e-20")
    back = replace(point, value=Displayed(f"{there:f}", "MOhm"), temperature_c=Decimal(to)).normalised_mohm(Decimal(at))
    assert back is not None
    assert abs(back * 1000 - value) <= value * Decimal("1e-20")


def test_a_temperature_can_be_keyed(bench: Bench) -> None:
    bench.step("select", item="C1", test="insulation", voltage="500")
    keyed = bench.answer("key", value="412", unit="MOhm", temperature="18.5")
    assert (keyed["event"], keyed["temperature"]) == ("reading", "18.5")
    assert "temperature" not in bench.answer("key", value="412", unit="MOhm")
    for wrong in ("warm", 999, True):
        refused = bench.answer("key", value="412", unit="MOhm", temperature=wrong)
        assert (refused["event"], "temperature" in refused["why"]) == ("refused", True)
