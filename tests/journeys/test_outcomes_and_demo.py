"""How a session ends: exit codes, signals, several meters; and the demo that drives itself."""

from __future__ import annotations

import base64
import json
import os
import signal
import sqlite3
from pathlib import Path

import pytest
from stranger import PLAN, WAIT_S, Recorder, StrangerMeter, recording, run


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN)
    assert run("new", "plan.toml", "job.db", cwd=tmp_path).returncode == 0
    return tmp_path


def keyed(*steps: dict[str, object]) -> str:
    """Steps of a meter that is read by eye, proven first."""
    prove: list[dict[str, object]] = []
    for point, value in (("infinity", "inf"), ("zero", "0.00")):
        prove.append({"do": "prove", "point": point, "function": "insulation", "voltage": 500})
        prove.extend({"do": "key", "value": value, "unit": "MOhm"} for _ in range(3))
    return "\n".join(json.dumps(step) for step in [*prove, *steps]) + "\n"


def result(item: str, value: str) -> list[dict[str, object]]:
    return [
        {"do": "select", "item": item, "test": "insulation", "voltage": 500},
        {"do": "key", "value": value, "unit": "MOhm"},
        {"do": "take"},
    ]


@pytest.mark.parametrize(
    ("steps", "code"),
    [
        (result("C1", "412"), 0),
        (result("C1", "0.42"), 1),
        (result("C1", "0.42") + result("C1", "412"), 0),
        ([*result("C1", "412"), {"do": "close"}], 1),
        ([{"do": "note", "text": "nothing yet"}], 0),
    ],
)
def test_exit_codes(shed: Path, steps: list[dict[str, object]], code: int) -> None:
    done = run("capture", "job.db", "--json", "--from", "keyed:?serial=7&model=Dial", cwd=shed, text=keyed(*steps))
    assert done.returncode == code, done.stdout
    events = [json.loads(line) for line in done.stdout.splitlines()]
    assert [e["outcome"] for e in events if e["event"] == "proof"] == ["pass", "pass"]
    assert all({"event", "at", "entry"} <= e.keys() for e in events)
    assert run("audit", "job.db", cwd=shed).returncode == 0


def test_a_person_reads_sentences(shed: Path) -> None:
    done = run("capture", "job.db", "--from", "keyed:", cwd=shed, text=keyed(*result("C1", "412")))
    assert "Result C1 insulation 500 V: 412 MΩ" in done.stdout
    assert "{" not in done.stdout


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_cleanly(shed: Path, number: signal.Signals) -> None:
    meter = StrangerMeter()
    try:
        with recording("job.db", meter.on_tcp(), shed) as recorder:
            recorder.event("ready")
            recorder.reading()
            os.kill(recorder.child.pid, number)
            assert recorder.child.wait(WAIT_S) == 0
        assert not list(shed.glob("job.db-*"))
        assert any(line.startswith("@halt") for line in meter.received)
    finally:
        meter.stop()


def _two_meters(recorder: Recorder, first: StrangerMeter, second: StrangerMeter) -> None:
    assert {recorder.event("ready")["serial"], recorder.event("ready")["serial"]} == {"S-1", "S-2"}
    vague = recorder.step("prove", point="zero", function="insulation", voltage=500)
    assert (vague["event"], vague["possible"]) == ("refused", ["S-1", "S-2"])
    for point, value, relation in (("infinity", "1000", "gt"), ("zero", "0.00", "eq")):
        first.show(value, relation)
        recorder.reading(serial="S-1", value=value)
        proof = recorder.step("prove", point=point, function="insulation", voltage=500, meter="S-1")
        assert (proof["outcome"], proof["serial"]) == ("pass", "S-1")
    recorder.step("select", item="C1", test="insulation", voltage=500)
    first.show("77")
    second.show("88")
    assert recorder.reading(serial="S-1", value="77")["accepted"] is True
    assert recorder.reading(serial="S-2", value="88")["reasons"] == ["not-proven"]
    assert recorder.step("take")["serial"] == "S-1"
    assert recorder.end() == 0


def test_two_meters_each_with_its_own_proof(shed: Path) -> None:
    first, second = StrangerMeter("S-1"), StrangerMeter("S-2")
    try:
        with recording("job.db", first.on_tcp(), shed, second.on_tcp()) as recorder:
            _two_meters(recorder, first, second)
    finally:
        first.stop()
        second.stop()


def test_every_byte_is_kept_and_every_frame_accounted_for(shed: Path) -> None:
    meter = StrangerMeter()
    sent: list[bytes] = []
    send = meter.send
    meter.send = lambda data: (sent.append(data), send(data))[1]  # type: ignore[method-assign]
    try:
        with recording("job.db", meter.on_tcp(), shed) as recorder:
            recorder.event("ready")
            meter.send(b"\xff\x00garbage@@@rd n=1*\r\n")
            recorder.event("damaged")
            recorder.reading()
            assert recorder.end() == 0
    finally:
        meter.stop()
    with sqlite3.connect(f"file:{shed / 'job.db'}?mode=ro", uri=True) as db:
        rows = db.execute("select kind, body from entries order by number").fetchall()
    db.close()
    stored = b"".join(base64.b64decode(json.loads(body)["data"]) for kind, body in rows if kind == "raw")
    assert b"".join(sent).startswith(stored)
    readings = [json.loads(body) for kind, body in rows if kind == "reading"]
    assert len(readings) == stored.count(b"@rd n=") - 1  # the one in the garbage is none
    assert [r["n"] for r in readings] == list(range(1, len(readings) + 1))


def test_the_demo_does_the_whole_job_and_leaves_a_logbook_that_stands(tmp_path: Path) -> None:
    done = run("demo", "--auto", "--dir", str(tmp_path / "studio"), cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    for said in (
        "turned away: the meter was not proven",
        "Zero check of insulation 500 V passed",
        "C2 insulation 500 V: 0.1",
        "fails",
        "line against earth",
        "The logbook is closed",
    ):
        assert said in done.stdout
    logbook = tmp_path / "studio" / "pottery-studio.db"
    audit = run("audit", str(logbook), "--json", cwd=tmp_path)
    assert audit.returncode == 0, audit.stdout
    assert json.loads(audit.stdout)["sealed"] is True
    shown = json.loads(run("show", str(logbook), "--json", cwd=tmp_path).stdout)
    assert shown["unfinished"] == []
    assert {w["item"] for w in shown["work"] if w["test"] == "insulation"} == {"DB1", "C1", "C2", "C3"}
    assert {w["outcome"] for w in shown["work"] if w["test"] == "insulation"} == {"meets"}
