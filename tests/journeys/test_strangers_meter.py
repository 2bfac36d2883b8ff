"""A stranger's meter works the first time, on TCP and on a pseudo-terminal: the whole gate, by command."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from stranger import PLAN, Recorder, StrangerMeter, recording, run


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    """A folder with a fresh logbook."""
    (tmp_path / "plan.toml").write_text(PLAN)
    done = run("new", "plan.toml", "job.db", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    return tmp_path


@pytest.fixture
def meter() -> Iterator[StrangerMeter]:
    stranger = StrangerMeter()
    yield stranger
    stranger.stop()


@pytest.fixture(params=["tcp", "pty"])
def url(request: pytest.FixtureRequest, meter: StrangerMeter) -> str:
    return meter.on_tcp() if request.param == "tcp" else meter.on_pty()


def prove(recorder: Recorder, meter: StrangerMeter, voltage: int = 500) -> None:
    for point, value, relation in (("infinity", "1000", "gt"), ("zero", "0.00", "eq")):
        meter.show(value, relation, vt=str(voltage))
        recorder.reading(value=value)
        proof = recorder.step("prove", point=point, function="insulation", voltage=voltage)
        assert (proof["event"], proof["outcome"]) == ("proof", "pass")


def take(recorder: Recorder, meter: StrangerMeter, item: str, value: str, relation: str = "eq") -> dict[str, object]:
    assert recorder.step("select", item=item, test="insulation", voltage=500)["event"] == "selected"
    meter.show(value, relation, vt="500")
    recorder.reading(value=value, accepted=True, item=item)
    return recorder.step("take")


def test_the_whole_job(shed: Path, meter: StrangerMeter, url: str) -> None:
    with recording("job.db", url, shed) as recorder:
        ready = recorder.event("ready")
        assert (ready["serial"], ready["model"]) == ("S-77", "Bench 1")
        assert recorder.step("select", item="C1", test="insulation", voltage=500)["event"] == "selected"
        away = recorder.reading()
        assert (away["accepted"], away["reasons"]) == (False, ["not-proven"])
        assert (away["item"], away["test"], away["value"], away["unit"]) == ("C1", "insulation", "412", "MOhm")
        assert recorder.step("take")["event"] == "refused"

        meter.show("0.30")
        recorder.reading(value="0.30")
        assert recorder.step("prove", point="zero", function="insulation", voltage=500)["outcome"] == "fail"
        prove(recorder, meter)

        met = take(recorder, meter, "C1", "412")
        assert (met["verdict"], met["value"], met["unit"]) == ("meets", "412", "MOhm")
        failed = take(recorder, meter, "C2", "0.42")
        assert failed["verdict"] == "fails"
        assert take(recorder, meter, "C2", "1000", "gt")["verdict"] == "meets"
        assert take(recorder, meter, "C2", "0.5", "gt")["verdict"] == "undecided"
        assert take(recorder, meter, "C2", "380")["verdict"] == "meets"

        refused = recorder.step("close")
        assert {line["item"] for line in refused["unfinished"]} == {"C1", "C2"}
        prove(recorder, meter)
        assert recorder.step("close", seal=True)["event"] == "closed"
        assert recorder.end() == 0
    assert not [line for line in meter.received if line.startswith("BAD")]
    assert {line.split()[0].split("*")[0] for line in meter.received} == {"@ask", "@run", "@halt"}
    assert run("audit", "job.db", cwd=shed).returncode == 0
    again = run("capture", "job.db", "--from", url, cwd=shed)
    assert again.returncode == 2
    assert len(again.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("knobs", "reason"),
    [
        ({"vt": "250"}, "wrong-voltage"),
        ({"function": "continuity", "unit": "Ohm"}, "wrong-function"),
        ({"unit": "V"}, "wrong-unit"),
        ({"flags": "live"}, "live-leads"),
        ({"flags": "batt"}, "battery-low"),
        ({"value": "1001"}, "outside-range"),
    ],
)
def test_what_does_not_fit_is_turned_away(shed: Path, meter: StrangerMeter, knobs: dict[str, str], reason: str) -> None:
    with recording("job.db", meter.on_tcp(), shed) as recorder:
        recorder.event("ready")
        prove(recorder, meter)
        recorder.step("select", item="C1", test="insulation", voltage=500)
        meter.show(**{"value": "77", **knobs})
        turned = recorder.reading(value=knobs.get("value", "77"))
        assert turned["accepted"] is False
        assert reason in turned["reasons"]
        assert recorder.step("take")["event"] == "refused"


@pytest.mark.parametrize("what", ["leads-changed", "reboot", "fault", "battery-low"])
def test_what_ends_a_proof(shed: Path, meter: StrangerMeter, what: str) -> None:
    with recording("job.db", meter.on_tcp(), shed) as recorder:
        recorder.event("ready")
        prove(recorder, meter)
        recorder.step("select", item="C1", test="insulation", voltage=500)
        meter.show("77")
        assert recorder.reading(value="77", accepted=True)
        if what == "reboot":
            meter.reboot("bb02")
        else:
            meter.event(what, why="a test")
        recorder.event("lapsed")
        assert "proof-lapsed" in recorder.reading(value="77", accepted=False)["reasons"]


def test_damage_gaps_and_repeats(shed: Path, meter: StrangerMeter, url: str) -> None:
    with recording("job.db", url, shed) as recorder:
        recorder.event("ready")
        prove(recorder, meter)
        recorder.step("select", item="C1", test="insulation", voltage=500)
        meter.show("77")
        recorder.reading(value="77", accepted=True)
        with meter.lock:
            meter.send(b"@rd n=999 t=1 fn=insulation r=eq v=5 u=MOhm vt=500*00000000\n")
        recorder.event("damaged")
        with meter.lock:
            lost = meter.n + 2
            meter.swallow.add(lost)
        gap = recorder.event("gap")
        assert (gap["first"], gap["last"]) == (lost, lost)
        filled = recorder.reading(n=lost)
        assert filled["accepted"] is True
        assert recorder.event("filled")["last"] == lost
        with meter.lock:
            meter.send(meter.memory[meter.n])
        assert "repeat" in recorder.reading(accepted=False)["reasons"]
        with meter.lock:
            gone = meter.n + 1
            meter.n += 1
        loss = recorder.event("lost")
        assert (loss["first"], loss["last"]) == (gone, gone)
    assert not any(event.get("n") == 999 for event in recorder.seen)


def test_a_drop_out_is_bridged_from_the_meters_memory(shed: Path, meter: StrangerMeter) -> None:
    with recording("job.db", meter.on_tcp(), shed) as recorder:
        recorder.event("ready")
        prove(recorder, meter)
        recorder.step("select", item="C1", test="insulation", voltage=500)
        meter.show("77")
        recorder.reading(value="77", accepted=True)
        meter.drop_line()
        recorder.event("disconnected")
        with meter.lock:
            missed = [meter.n + 1, meter.n + 2]
            meter.reading()
            meter.reading()
        recorder.event("reconnected")
        for n in missed:
            assert recorder.reading(n=n)["accepted"] is True
        assert recorder.reading(value="77", accepted=True)["n"] > missed[-1]


def test_a_silent_line_is_noticed(shed: Path, meter: StrangerMeter) -> None:
    with recording("job.db", meter.on_tcp(), shed) as recorder:
        recorder.event("ready")
        recorder.reading()
        meter.mute = True
        assert "silent" in recorder.event("disconnected")["why"]
        meter.mute = False
        recorder.event("reconnected")
        recorder.reading()


def test_a_meter_that_only_talks_is_read_all_the_same(shed: Path) -> None:
    meter = StrangerMeter(talks_only=True)
    try:
        with recording("job.db", meter.on_pty(), shed) as recorder:
            recorder.event("ready")
            assert recorder.reading()["reasons"] == ["not-proven", "no-selection"]
            prove(recorder, meter)
    finally:
        meter.stop()


@pytest.mark.parametrize("after", ["proof", "result", "note"])
def test_what_was_confirmed_survives_a_kill(shed: Path, meter: StrangerMeter, after: str) -> None:
    url = meter.on_tcp()
    with recording("job.db", url, shed) as recorder:
        recorder.event("ready")
        prove(recorder, meter)
        if after == "result":
            take(recorder, meter, "C1", "412")
        if after == "note":
            recorder.step("note", text="the wheel motors are unplugged")
        recorder.kill()
    confirmed = [e for e in recorder.seen if e["entry"] is not None]
    with sqlite3.connect(f"file:{shed / 'job.db'}?mode=ro", uri=True) as db:
        numbers = {number for (number,) in db.execute("select number from entries")}
    db.close()
    assert {e["entry"] for e in confirmed} <= numbers
    assert run("audit", "job.db", cwd=shed).returncode == 0
    with recording("job.db", url, shed) as recorder:
        recorder.event("ready")
        assert take(recorder, meter, "C2", "380")["event"] == "result"
        assert recorder.end() == 0


def test_hostile_names_show_harmlessly(shed: Path, meter: StrangerMeter) -> None:
    meter.maker, meter.model = "\x1b[2J\x1b]0;x\x07[/]", "[@click=app.quit]x[/]\u202e"
    url = meter.on_tcp()
    done = run("capture", "job.db", "--from", url, cwd=shed, text='{"do":"note","text":"\\u001b[31m"}\n')
    assert done.returncode == 0
    assert "\x1b" not in done.stdout + done.stderr
    assert "Ready" in done.stdout
    shown = run("show", "job.db", cwd=shed)
    assert "\x1b" not in shown.stdout
    assert "\u202e" not in shown.stdout
