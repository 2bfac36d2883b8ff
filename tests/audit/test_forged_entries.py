"""Forged by somebody who holds file and key: leaves, tree and signatures are right, and what it says is not so.

Re-derivation names the place. What it cannot see, an operator's own word, is in the last test, said plainly.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from forger import Forgery, Line, find, forge, lines_of
from working_day import Day, DriversAtHand, good_day

from logger.audit.desk import Audit, Task, perform
from logger.audit.finding import Weight
from logger.audit.rederive_report import Differs


async def eventful(day: Day) -> None:
    """What a forger would like to have been otherwise."""
    await day.do("select", item="C2", test="insulation", voltage="500")
    day.hands("leads C2 L+N/PE")
    await day.wait(4)
    await day.do("take")
    day.hands("line lost-frame 3")
    await day.wait(2)
    day.hands("line bit-flip 2")
    await day.wait(2)
    day.hands("line duplicate 2")
    await day.wait(2)
    day.hands("change leads")
    await day.wait(1)
    await day.do("take")
    await day.prove("insulation", "500")
    day.hands("leads short")
    await day.wait(1)
    await day.do("prove", point="infinity", function="insulation", voltage="500")
    await day.prove("continuity")
    day.hands("reboot")
    await day.wait(3)
    await day.prove("continuity")
    day.hands("drop 70")
    await day.wait(75)
    await day.prove("continuity")
    await day.do("select", item="C1", test="insulation", voltage="500")
    for value in ("412", "380"):
        await day.do("key", value=value, unit="MOhm", function="insulation", voltage="500")


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("honest") / "job.db"
    good_day(path, 1, eventful)
    return path


def audit_of(path: Path) -> Audit:
    audit = Audit(path)
    audit.outcome = perform(path, Task.ALL, DriversAtHand())
    return audit


def forged(honest: Path, folder: Path, forgery: Forgery) -> tuple[Audit, dict[int, int]]:
    places = forge(honest, folder / "forged.db", forgery)
    audit = audit_of(folder / "forged.db")
    assert audit.outcome.integrity is not None
    assert audit.outcome.integrity.faults == ()  # nothing but what it says gives it away
    return audit, places


def test_a_logbook_written_anew_as_it_was_is_clean(honest: Path, tmp_path: Path) -> None:
    audit, _ = forged(honest, tmp_path, lambda lines: lines)
    assert audit.outcome.rederivation is not None
    assert audit.outcome.rederivation.differences == ()
    assert not audit.altered


CHANGES: dict[str, tuple[str, dict[str, Any], dict[str, Any]]] = {
    "a reading's value": ("reading", {"accepted": True, "test": "insulation"}, {"value": "999"}),
    "a reading's unit": ("reading", {"accepted": True, "test": "insulation"}, {"unit": "GOhm"}),
    "a reading's relation": ("reading", {"relation": "gt"}, {"relation": "eq"}),
    "a reading's number": ("reading", {"accepted": True}, {"n": 9999}),
    "where its bytes are": ("reading", {"accepted": True}, {"bytes": [0, 5]}),
    "a reading's reasons": ("reading", {"reasons": ["not-proven", "no-selection"]}, {"reasons": ["no-selection"]}),
    "a reading let through": (
        "reading",
        {"reasons": ["not-proven", "no-selection"]},
        {"accepted": True, "reasons": []},
    ),
    "a reading turned away": ("reading", {"accepted": True}, {"accepted": False, "reasons": ["repeat"]}),
    "the item of a reading": ("reading", {"item": "C1"}, {"item": "C3"}),
    "a field that no reading has": ("reading", {"accepted": True}, {"remark": "good"}),
    "a keyed reading's count": ("reading", {"origin": "keyed"}, {"n": 7}),
    "a result's verdict": ("result", {"test": "insulation"}, {"verdict": "fails"}),
    "a result's value": ("result", {"test": "insulation"}, {"value": "1"}),
    "a result's limit": ("result", {"test": "insulation"}, {"limit": "0.5"}),
    "a result's sentence": ("result", {"test": "insulation"}, {"sentence": "meets, by far"}),
    "a result's checks": ("result", {"test": "insulation"}, {"self_checks": []}),
    "a check's outcome": ("self-check", {"outcome": "fail"}, {"outcome": "pass"}),
    "a check's figures": ("self-check", {"point": "zero"}, {"figures": ["0.00", "0.00", "0.01"]}),
    "a lapse's cause": ("lapsed", {"why": "leads changed"}, {"why": "new boot"}),
    "a gap's numbers": ("gap", {}, {"first": 1}),
    "what was filled": ("filled", {}, {"last": 9999}),
    "why bytes were damaged": ("damaged", {}, {"why": "no frame"}),
    "the meter's serial": ("instrument", {}, {"serial": "0418"}),
    "the meter's accuracy": ("instrument", {"functions": "any"}, {"functions": []}),
    "how long the line was away": ("reconnected", {}, {"away_s": "1.000"}),
    "whose bytes they are": ("raw", {"serial": "0417"}, {"serial": "0418"}),
    "when bytes came": ("raw", {"serial": "0417"}, {"mono_ns": 1}),
    "where bytes stand": ("raw", {"serial": "0417"}, {"offset": 5}),
}


def the_line(lines: list[Line], kind: str, fields: dict[str, Any]) -> Line:
    if "functions" in fields:
        return next(line for line in lines if line.kind == kind and "functions" in line.body)
    return find(lines, kind, **fields)


@pytest.mark.parametrize("name", CHANGES)
def test_a_changed_field_is_named(honest: Path, tmp_path: Path, name: str) -> None:
    kind, fields, change = CHANGES[name]
    place = the_line(lines_of(honest), kind, fields).number

    def forgery(lines: list[Line]) -> list[Line]:
        the_line(lines, kind, fields).body.update(change)
        return lines

    audit, _ = forged(honest, tmp_path, forgery)
    again = audit.outcome.rederivation
    assert again is not None
    assert again.first is not None
    assert place in [each.entry for each in again.differences]
    assert 0 <= again.first.entry - place <= 2
    assert audit.exit_code == 4
    assert not any("<" in each.sentence for each in again.differences), "words for people, not for Python"


REMOVED: dict[str, tuple[str, dict[str, Any]]] = {
    "a reading": ("reading", {"accepted": True}),
    "its raw bytes": ("raw", {"serial": "0417"}),
    "that the leads were changed": ("lapsed", {"why": "leads changed"}),
    "that the meter was switched off": ("lapsed", {"why": "new boot"}),
    "that the line was lost": ("lapsed", {"why": "line lost for more than a minute"}),
    "that a check failed": ("self-check", {"outcome": "fail"}),
    "that it ended the proof": ("lapsed", {"why": "failed check"}),
    "that bytes were damaged": ("damaged", {}),
    "that numbers were missing": ("gap", {}),
    "that they came after all": ("filled", {}),
    "that the line broke": ("disconnected", {}),
    "that it came back": ("reconnected", {}),
    "who the meter is": ("instrument", {}),
    "a self-check": ("self-check", {"point": "zero"}),
}


@pytest.mark.parametrize("name", REMOVED)
def test_a_removed_entry_is_missed(honest: Path, tmp_path: Path, name: str) -> None:
    kind, fields = REMOVED[name]
    lines = lines_of(honest)
    gone = find(lines, kind, **fields).number
    after = next(line.number for line in lines if line.number > gone and line.kind not in ("checkpoint", "operator"))
    audit, places = forged(honest, tmp_path, lambda lines: [line for line in lines if line.number != gone])
    again = audit.outcome.rederivation
    assert again is not None
    assert again.first is not None
    assert again.first.entry >= places[after] - 1
    assert again.first.entry - places[after] <= 40
    assert audit.exit_code == 4


def twice(lines: list[Line], kind: str, fields: dict[str, Any]) -> tuple[list[Line], int]:
    line = find(lines, kind, **fields)
    copy = Line(10_000, line.at, line.kind, dict(line.body))
    at = lines.index(line) + 1
    return [*lines[:at], copy, *lines[at:]], 10_000


@pytest.mark.parametrize(
    "kind", ["reading", "raw", "damaged", "gap", "filled", "lapsed", "self-check", "result", "reconnected"]
)
def test_an_entry_put_in_is_found(honest: Path, tmp_path: Path, kind: str) -> None:
    audit, places = forged(honest, tmp_path, lambda lines: twice(lines, kind, {})[0])
    again = audit.outcome.rederivation
    assert again is not None
    assert places[10_000] in [each.entry for each in again.differences]


def pairs_of(lines: list[Line]) -> Iterator[tuple[Line, Line]]:
    """Accepted insulation readings, each with its raw bytes."""
    raws = {line.number: line for line in lines if line.kind == "raw"}
    for line in lines:
        if line.kind == "reading" and line.body["accepted"] and line.body["function"] == "insulation":
            yield line, raws[line.body["raw"][0]]


def test_other_bytes_give_other_readings(honest: Path, tmp_path: Path) -> None:
    """The forger knows to change the raw bytes too, with the right check, and forgets nothing but the reading."""
    from drivers.codecs.meter_line import NEED_DATA, Frame, MeterLineCodec, encode

    def forgery(lines: list[Line]) -> list[Line]:
        reading, raw = next(both for both in pairs_of(lines) if base64.b64decode(both[1].body["data"])[:3] == b"@rd")
        codec = MeterLineCodec()
        codec.receive(base64.b64decode(raw.body["data"]))
        frame = codec.next_event()
        assert frame is not NEED_DATA
        assert isinstance(frame, Frame)
        value = frame.fields["v"]
        changed = encode(frame.type, {**frame.fields, "v": value[:-1] + str((int(value[-1]) + 1) % 10)})
        assert len(changed) == len(frame.raw)
        raw.body["data"] = base64.b64encode(changed).decode()
        places.append(reading.number)
        return lines

    places: list[int] = []
    audit, _ = forged(honest, tmp_path, forgery)
    again = audit.outcome.rederivation
    assert again is not None
    assert again.first is not None
    assert (again.first.entry, again.first.what) == (places[0], Differs.FIELD)
    assert "`value`" in again.first.sentence


def test_a_whole_lie_is_found_by_its_one_loose_end(honest: Path, tmp_path: Path) -> None:
    """Bytes, reading and result are all changed alike: the meter's own later word, in the same bytes, is not."""

    def forgery(lines: list[Line]) -> list[Line]:
        lapse = find(lines, "lapsed", why="leads changed")
        kept = [line for line in lines if line is not lapse]
        for line in kept:  # and nothing is told as lapsed any more
            if line.kind == "reading" and "proof-lapsed" in line.body["reasons"] and line.number > lapse.number:
                line.body["reasons"] = [each for each in line.body["reasons"] if each != "proof-lapsed"]
                line.body["accepted"] = not line.body["reasons"]
        return kept

    audit, _ = forged(honest, tmp_path, forgery)
    again = audit.outcome.rederivation
    assert again is not None
    assert any("leads-changed" in each.sentence for each in again.differences)


@pytest.mark.parametrize("body", [{}, {"serial": 7, "n": "seven", "raw": "x"}, {"function": "glaze", "reasons": None}])
@pytest.mark.parametrize("kind", ["reading", "raw", "self-check", "lapsed", "result", "instrument", "selection", "gap"])
def test_a_body_that_no_recorder_writes_ends_nothing(
    honest: Path, tmp_path: Path, kind: str, body: dict[str, Any]
) -> None:
    def forgery(lines: list[Line]) -> list[Line]:
        line = [each for each in lines if each.kind == kind][-1]
        line.body = body if not body else {**line.body, **body}
        return lines

    audit, _ = forged(honest, tmp_path, forgery)
    assert audit.outcome.rederivation is not None
    assert audit.findings is not None


def test_bytes_of_a_driver_that_is_not_here_are_a_doubt(honest: Path, tmp_path: Path) -> None:
    """Else a forger would only have to name another driver."""

    def forgery(lines: list[Line]) -> list[Line]:
        for line in lines:
            if line.kind == "instrument" and line.body["driver"]:
                line.body["driver"] = "glaze-line 7"
        body = find(lines, "reading", accepted=True, test="insulation").body
        body["value"] = body["value"][:-1] + ("1" if body["value"][-1] != "1" else "2")
        return lines

    audit, _ = forged(honest, tmp_path, forgery)
    assert audit.outcome.rederivation is not None
    assert audit.outcome.rederivation.differences == ()
    assert audit.exit_code == 1
    assert any("glaze-line" in each.sentence for each in audit.findings if each.weight is Weight.DOUBT)


def test_what_an_operator_said_can_be_forged_with_the_key(honest: Path, tmp_path: Path) -> None:
    """No bytes stand behind a note: only a checkpoint kept elsewhere pins it."""

    def forgery(lines: list[Line]) -> list[Line]:
        find(lines, "alteration").body["why"] = "no reason"
        return lines

    audit, _ = forged(honest, tmp_path, forgery)
    assert not audit.altered
