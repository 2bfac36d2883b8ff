"""Recording over Bluetooth by command: a meter that walks away, two of one name, two stories, none at all."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from air_stranger import AirborneStranger
from ether import Ether
from stranger import recording, run
from test_strangers_meter import prove


@pytest.mark.slow  # who only talks is given ten seconds to say what it can do
def test_a_meter_that_only_talks_is_read_all_the_same(shed: Path, sky: Ether) -> None:
    meter = AirborneStranger(sky, talks_only=True)
    try:
        with recording("job.db", meter.on_ble(), shed) as recorder:
            recorder.event("ready")
            assert recorder.reading()["reasons"] == ["not-proven", "no-selection"]
            prove(recorder, meter)
    finally:
        meter.stop()


def test_walking_out_of_reach_for_a_while_keeps_the_proof(shed: Path, meter: AirborneStranger) -> None:
    with recording("job.db", meter.on_ble(), shed) as recorder:
        recorder.event("ready")
        prove(recorder, meter)
        recorder.step("select", item="C1", test="insulation", voltage=500)
        meter.show("77")
        recorder.reading(value="77", accepted=True)
        meter.radio.walk_away()
        why = recorder.event("disconnected")["why"]
        assert "out of reach or was switched off" in why
        meter.radio.walk_back()
        recorder.event("reconnected")
        assert recorder.reading(value="77", accepted=True)
    assert not any(event["event"] == "lapsed" for event in recorder.seen)


def test_two_meters_with_one_serial_number_are_told_and_not_mixed(
    shed: Path, meter: AirborneStranger, sky: Ether
) -> None:
    other = AirborneStranger(sky, boot="cc03", address="C0:FF:EE:00:00:02")
    first, second = meter.on_ble(), other.on_ble()
    other.value = "99"
    try:
        with recording("job.db", first, shed, "--from", second) as recorder:
            code = recorder.child.wait(30)
            words = recorder.errors()
    finally:
        other.stop()
    assert code == 3
    assert words.count("\n") == 1
    assert "says it is S-77, as the one on" in words
    boots = {entry["boot"] for entry in entries(shed / "job.db", "reading", "instrument")}
    assert len(boots) == 1
    assert run("audit", "job.db", cwd=shed).returncode == 0


def test_one_meter_given_twice_is_refused_before_anything_is_written(shed: Path, meter: AirborneStranger) -> None:
    url = meter.on_ble()
    before = (shed / "job.db").read_bytes()
    done = run("capture", "job.db", "--from", url, url.lower(), cwd=shed)
    assert (done.returncode, done.stdout) == (2, "")
    assert "One meter is given twice" in done.stderr
    assert (shed / "job.db").read_bytes() == before


def test_a_meter_that_describes_itself_in_two_ways_is_noted_and_read(shed: Path, meter: AirborneStranger) -> None:
    url = meter.on_ble()
    meter.model, meter.serial = "Bench 9", "S-78"
    with recording("job.db", url, shed) as recorder:
        noted = recorder.event("noted")
        assert noted["text"] == (
            f"The Bluetooth meter {meter.radio.peer.address} describes itself in two ways: "
            "serial number S-77 against S-78, model Bench 1 against Bench 9"
        )
        assert recorder.event("ready")["serial"] == "S-78"
        meter.drop_line()
        recorder.event("reconnected")
        recorder.reading()
    assert [event["event"] for event in recorder.seen].count("noted") == 1


@pytest.mark.slow  # the contract's fifteen seconds of trying
def test_without_bluetooth_capture_says_so_in_one_sentence(shed: Path, sky: Ether) -> None:
    sky.run(sky.bluez.unplug)
    started = run("capture", "job.db", "--from", "ble:C0:FF:EE:00:00:01", cwd=shed, text='{"do":"note","text":"x"}\n')
    assert started.returncode == 3
    assert started.stderr.splitlines() == [
        "This machine has no Bluetooth adapter: plug one in, or connect the meter by cable (serial:) or network (tcp:)."
    ]


def test_our_own_simulated_meter_is_recorded_over_the_air_by_command(shed: Path, sky: Ether) -> None:
    simulator = subprocess.Popen(
        [sys.executable, "-m", "tui", "simulate", "tool-store", "--ble", "--seed", "5"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert simulator.stdin is not None
    assert simulator.stdout is not None
    with simulator:
        try:
            simulator.stdout.readline()
            url = simulator.stdout.readline().strip()
            with recording("job.db", f"{url}?rate=50", shed) as recorder:
                assert recorder.event("ready")["line"] == f"{url}?rate=50"
                recorder.reading()
                simulator.stdin.write("drop 0.5\n")
                simulator.stdin.flush()
                recorder.event("disconnected")
                recorder.event("reconnected")
                recorder.event("filled")
        finally:
            simulator.kill()
    assert not any(event["event"] in {"lost", "damaged", "noted"} for event in recorder.seen)


def entries(logbook: Path, *kinds: str) -> list[dict[str, object]]:
    with sqlite3.connect(f"file:{logbook}?mode=ro", uri=True) as database:
        marks = ",".join("?" * len(kinds))
        rows = database.execute(f"select body from entries where kind in ({marks})", kinds).fetchall()
    database.close()
    return [json.loads(body) for (body,) in rows]
