"""A meter is remembered from one recording to the next, and what is new or changed of it is said."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from stranger import PLAN, StrangerMeter, recording, run
from test_several_meters import prove


@pytest.fixture
def shed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ZEROFIRST_BOOK", str(tmp_path / "book.json"))
    (tmp_path / "plan.toml").write_text(PLAN)
    assert run("new", "plan.toml", "job.db", cwd=tmp_path).returncode == 0
    return tmp_path


def test_new_then_known_then_changed(shed: Path) -> None:
    meter = StrangerMeter("S-1")
    url = meter.on_pty()
    try:
        with recording("job.db", url, shed) as recorder:
            assert recorder.event("ready")["remarks"] == ["Meter S-1 (Example Works Bench 1) is new to this machine."]
            prove(recorder, meter)
            assert recorder.end() == 0
        with recording("job.db", url, shed) as recorder:
            assert recorder.event("ready")["remarks"] == []
            assert recorder.end() == 0
        meter.model = "Bench 2"
        done = run("capture", "job.db", "--from", url, cwd=shed)
        assert "Meter S-1 is not what it was: model Bench 1 before, Bench 2 now" in done.stdout
        meter.serial = "S-2"
        with recording("job.db", url, shed) as recorder:
            new, elsewhere = recorder.event("ready")["remarks"]
            assert new.startswith("Meter S-2 ")
            assert elsewhere == f"On {url} there is meter S-2 now; last time it was S-1."
            assert recorder.end() == 0
    finally:
        meter.stop()
    (first,) = [k for k in json.loads((shed / "book.json").read_text())["instruments"] if k["serial"] == "S-1"]
    assert (first["model"], first["check"]) == ("Bench 2", "zero, insulation at 500 V: pass")
    assert first["calibrated_until"] == "2030-01-31"
