"""Several meters at once: whose reading is whose, which one a selection means, and none taken for another."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from stranger import PLAN, Recorder, StrangerMeter, recording, run


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN)
    done = run("new", "plan.toml", "job.db", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    return tmp_path


@contextlib.contextmanager
def two_meters(shed: Path, first: StrangerMeter, second: StrangerMeter) -> Iterator[Recorder]:
    try:
        with recording("job.db", first.on_tcp(), shed, second.on_tcp()) as recorder:
            assert {recorder.event("ready")["serial"] for _ in range(2)} == {first.serial, second.serial}
            yield recorder
    finally:
        first.stop()
        second.stop()


def prove(recorder: Recorder, meter: StrangerMeter) -> None:
    for point, value, relation in (("infinity", "1000", "gt"), ("zero", "0.00", "eq")):
        meter.show(value, relation)
        recorder.reading(serial=meter.serial, value=value)
        proof = recorder.step("prove", point=point, function="insulation", voltage=500, meter=meter.serial)
        assert (proof["outcome"], proof["serial"]) == ("pass", meter.serial)


def test_where_two_measure_the_same_it_must_be_said_whose_reading_is_taken(shed: Path) -> None:
    """One is on the circuit; the other lies on the bench with its leads apart, and reads a fine 1000 MOhm."""
    on_circuit, on_bench = StrangerMeter("S-1"), StrangerMeter("S-2")
    with two_meters(shed, on_circuit, on_bench) as recorder:
        prove(recorder, on_circuit)
        prove(recorder, on_bench)
        recorder.step("select", item="C1", test="insulation", voltage=500)
        on_circuit.show("0.42")
        on_bench.show("1000", "gt")
        recorder.reading(serial="S-1", value="0.42", accepted=True)
        recorder.reading(serial="S-2", value="1000", accepted=True)
        vague = recorder.step("take")
        assert (vague["event"], vague["possible"]) == ("refused", ["S-1", "S-2"])
        assert "name one in `meter`" in vague["why"]
        taken = recorder.step("take", meter="S-1")
        assert (taken["serial"], taken["value"], taken["verdict"]) == ("S-1", "0.42", "fails")
        assert recorder.step("take", meter="S-9")["event"] == "refused"


def test_a_selection_that_pins_a_meter_hears_no_other(shed: Path) -> None:
    first, second = StrangerMeter("S-1"), StrangerMeter("S-2")
    with two_meters(shed, first, second) as recorder:
        prove(recorder, first)
        prove(recorder, second)
        selected = recorder.step("select", item="C1", test="insulation", voltage=500, meter="S-2")
        assert selected["meter"] == "S-2"
        first.show("11")
        second.show("380")
        assert recorder.reading(serial="S-1", value="11")["reasons"] == ["no-selection"]
        assert recorder.reading(serial="S-2", value="380", accepted=True)["item"] == "C1"
        assert recorder.step("take")["serial"] == "S-2"
        unknown = recorder.step("select", item="C1", test="insulation", voltage=500, meter="S-3")
        assert (unknown["event"], unknown["possible"]) == ("refused", ["S-1", "S-2"])


def test_a_selection_expects_a_function_and_so_a_meter(shed: Path) -> None:
    insulation, continuity = StrangerMeter("S-1"), StrangerMeter("S-2")
    insulation.functions = insulation.functions[:2]
    continuity.functions = continuity.functions[2:]
    continuity.show("0.12", function="continuity", unit="Ohm")
    with two_meters(shed, insulation, continuity) as recorder:
        insulation.show("1000", "gt")
        recorder.reading(serial="S-1", value="1000")
        proof = recorder.step("prove", point="infinity", function="insulation", voltage=500)
        assert (proof["outcome"], proof["serial"]) == ("pass", "S-1")
        recorder.step("select", item="C1", test="insulation", voltage=500)
        assert "wrong-function" in recorder.reading(serial="S-2", accepted=False)["reasons"]


def test_one_meters_drop_out_and_lapse_leave_the_others_proof(shed: Path) -> None:
    first, second = StrangerMeter("S-1"), StrangerMeter("S-2")
    with two_meters(shed, first, second) as recorder:
        prove(recorder, first)
        prove(recorder, second)
        recorder.step("select", item="C1", test="insulation", voltage=500)
        first.show("77")
        second.show("88")
        first.event("leads-changed")
        assert recorder.event("lapsed")["serial"] == "S-1"
        assert "proof-lapsed" in recorder.reading(serial="S-1", value="77")["reasons"]
        second.drop_line()
        assert recorder.event("disconnected")["serial"] == "S-2"
        assert recorder.event("reconnected")["serial"] == "S-2"
        assert recorder.reading(serial="S-2", value="88", accepted=True)
        assert recorder.step("take")["serial"] == "S-2"


def test_a_meter_of_another_day_is_not_here(shed: Path) -> None:
    first, second = StrangerMeter("S-1"), StrangerMeter("S-2")
    with two_meters(shed, first, second) as recorder:
        assert recorder.end() == 0
    again = StrangerMeter("S-2")
    try:
        with recording("job.db", again.on_tcp(), shed) as recorder:
            recorder.event("ready")
            gone = recorder.step("select", item="C1", test="insulation", voltage=500, meter="S-1")
            assert (gone["event"], gone["possible"]) == ("refused", ["S-2"])
    finally:
        again.stop()


def test_two_lines_that_give_one_serial_number_are_told_and_not_mixed(shed: Path) -> None:
    first, second = StrangerMeter("S-1", boot="aa"), StrangerMeter("S-1", boot="bb")
    try:
        with recording("job.db", first.on_tcp(), shed, second.on_tcp()) as recorder:
            code, words = recorder.child.wait(30), recorder.errors()
    finally:
        first.stop()
        second.stop()
    assert code == 3
    assert words.count("\n") == 1
    assert "says it is S-1, as the one on" in words
    assert run("audit", "job.db", cwd=shed).returncode == 0


@pytest.mark.parametrize("more", ["tcp:127.0.0.1:1?rate=5", "TCP://127.0.0.1:1"])
def test_one_line_given_twice_is_refused_before_anything_is_written(shed: Path, more: str) -> None:
    before = (shed / "job.db").read_bytes()
    done = run("capture", "job.db", "--from", "tcp:127.0.0.1:1", more, cwd=shed)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
    assert "One meter is given twice" in done.stderr
    assert (shed / "job.db").read_bytes() == before


def test_a_meter_keyed_by_hand_keeps_its_serial_number_to_itself(shed: Path) -> None:
    meter = StrangerMeter("S-1")
    try:
        done = run("capture", "job.db", "--from", "keyed:?serial=S-1", meter.on_tcp(), cwd=shed)
    finally:
        meter.stop()
    assert done.returncode == 3
    assert "says it is S-1, as the one on keyed:?serial=S-1 does" in done.stderr
