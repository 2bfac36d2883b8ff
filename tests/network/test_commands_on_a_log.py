"""`reach`, `steps` and `hunt` on a logbook: they read how things stand from its entries, in the contract's fields."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from installations import circuit, device, lights, studio

from logger.clock import ManualClock
from logger.job.history import history
from logger.job.model import DeviceKind as D
from logger.job.model import Plan
from logger.job.network import build
from logger.job.plan import plan_body
from logger.job.reach import reach
from logger.job.setup import SetUp, set_up
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook
from logger.quantity import Test
from logger.rules.pack import load_pack
from tui.cli.main import main

POSITIONS = {"LK1": "out", "Q0": "off"}


def plan() -> Plan:
    breakers = [circuit(f"C{n}", device(f"Q{n}", D.BREAKER, 2), load="sockets") for n in range(4, 10)]
    return studio(lights(), *breakers)


def logbook(folder: Path, *entries: tuple[Kind, Mapping[str, object]], of: Plan | None = None) -> Path:
    """A logbook that holds a plan, the rules, and `entries`."""
    path = folder / "job.zerofirst"
    pack = load_pack("iec")
    first = [
        (Kind.JOB, {"title": "Studio", "kind": "installation", "plan": plan_body(of or plan())}),
        (Kind.RULES, {"name": "iec", "edition": pack.edition, "pack": pack.body}),
    ]
    with Logbook.create(path, first, ManualClock(), None) as book:
        for kind, body in entries:
            book.append(kind, body)
        book.commit()
    return path


def position(name: str, where: str) -> tuple[Kind, Mapping[str, object]]:
    return Kind.POSITION, {"device": name, "position": where}


def result(value: str, verdict: str) -> tuple[Kind, Mapping[str, object]]:
    """An insulation result of the whole board."""
    asked = {"item": "DB1", "test": "insulation", "between": "L+N/PE", "voltage": "500"}
    figures = {"value": value, "unit": "MOhm", "relation": "eq", "limit": "1.0", "limit_unit": "MOhm"}
    return Kind.RESULT, {**asked, **figures, "verdict": verdict, "reading": 1}


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    out, err = capsys.readouterr()
    return code, out, err


def as_json(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    code, out, err = said(capsys, *words, "--json")
    assert (code, err) == (0, "")
    assert out.count("\n") == 1
    found: dict[str, Any] = json.loads(out)
    return found


def test_reach_says_what_one_switch_takes_away(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = logbook(tmp_path, *(position(*each) for each in POSITIONS.items()), position("Q5", "off"))
    found = as_json(capsys, "reach", str(path))
    assert list(found) == ["test", "between", "at", "leads", "reached", "unreached", "spoiled_by", "share"]
    assert (found["test"], found["between"], found["at"]) == ("insulation", "L+N/PE", "DB1")
    off = [each for each in found["unreached"] if each["segment"].startswith("C5")]
    assert off == [
        {"segment": "C5/L/1", "because": [{"device": "Q5", "position": "off"}]},
        {"segment": "C5/N/1", "because": [{"device": "Q5", "position": "off"}]},
    ]
    assert found["spoiled_by"] == []
    assert set(found["leads"]) == {"+", "-"}
    assert set(found["reached"]) == {*found["leads"]["+"], *found["leads"]["-"]}
    assert 0 < found["share"]["count"] < 1
    assert 0 < found["share"]["length"] < 1
    code, out, _ = said(capsys, "reach", str(path))
    assert code == 0
    assert "not C5 behind Q5, which is off" in out


def test_reach_follows_alterations_and_restorations(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = (Kind.ALTERATION, {"what": "LK1", "to": "out", "why": "insulation"})
    back = (Kind.RESTORATION, {"what": "LK1", "to": "", "why": ""})
    altered, restored = tmp_path / "altered", tmp_path / "restored"
    altered.mkdir()
    restored.mkdir()
    path = logbook(altered, position("Q0", "off"), out)
    assert as_json(capsys, "reach", str(path))["spoiled_by"] == []
    path = logbook(restored, position("Q0", "off"), out, back)
    assert [each["what"] for each in as_json(capsys, "reach", str(path))["spoiled_by"]] == ["LK1"]


def test_steps_can_be_fed_to_capture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = logbook(tmp_path)
    found = as_json(capsys, "steps", str(path))
    assert {step["do"] for step in found["steps"]} == {"set", "alter", "select", "take", "restore"}
    assert (found["readings"], found["exact"], found["left"]) == (2, True, [])
    covers = [name for step in found["steps"] if step["do"] == "take" for name in step["covers"]]
    assert sorted(covers) == sorted(build(plan()).segments.keys() - {"E1/PE/0"})
    _, out, _ = said(capsys, "steps", str(path))
    assert "READ at DB1 between L+N/PE" in out


def test_steps_never_join_the_supply_not_even_to_put_it_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = logbook(tmp_path, (Kind.ALTERATION, {"what": "supply", "to": "off", "why": "dead tests"}))
    steps = as_json(capsys, "steps", str(path))["steps"]
    assert steps
    assert not [step for step in steps if "supply" in (step.get("what"), step.get("device"))]


def test_steps_leave_out_what_is_covered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = logbook(tmp_path, *(position(*each) for each in POSITIONS.items()), result("88.0", "meets"))
    rest = as_json(capsys, "steps", str(path))
    takes = [step for step in rest["steps"] if step["do"] == "take"]
    assert len(takes) == 1
    assert "C3/S2/2" in takes[0]["covers"]
    assert as_json(capsys, "steps", str(path), "--all")["readings"] == 2
    per_item = as_json(capsys, "steps", str(path), "--test", "earth-continuity")
    assert per_item["readings"] >= len(plan().circuits)


def test_history_keeps_how_things_stood(tmp_path: Path) -> None:
    entries = [result("88.0", "meets"), position("Q5", "off"), result("88.0", "meets")]
    with LogbookReader.open(logbook(tmp_path, *(position(*each) for each in POSITIONS.items()), *entries)) as reader:
        past = history(reader.entries())
    first, second = past.results
    assert first.reach is not None
    assert second.reach is not None
    assert set(first.reach.reached) - set(second.reach.reached) == {"C5/L/1", "C5/N/1"}
    assert past.coverage(Test.INSULATION).by["C3/L/1"] == (first.entry, second.entry)
    assert past.coverage(Test.INSULATION).by["C5/L/1"] == (first.entry,)


def test_hunting_on_a_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A fault of 0.2 MOhm in C7: each reading is entered as the hunt asks for it."""
    network = build(plan())
    entries = [position(*each) for each in POSITIONS.items()]
    setup = set_up(network, POSITIONS)
    rng = random.Random(3)
    for count in range(8):
        reached = reach(network, setup, Test.INSULATION).reached
        whole = math.fsum(5.0 if name == "C7/L/1" else 0.0005 for name in reached)
        shown = round(1 / whole * rng.uniform(0.98, 1.02), 2)
        entries.append(result(f"{shown:.2f}", "fails" if shown < 1 else "meets"))
        (tmp_path / str(count)).mkdir()
        path = logbook(tmp_path / str(count), *entries)
        found = as_json(capsys, "hunt", str(path))
        if found["done"]:
            break
        for step in found["next"]:
            if step["do"] == "set":
                entries.append(position(step["device"], step["position"]))
                setup = SetUp({**setup.positions, step["device"]: step["position"]})
    assert found["found"] == ["C7"]
    assert count <= math.ceil(math.log2(8)) + 2
    bound = next(each for each in found["bounds"] if each["part"] == "C7")
    assert float(bound["low"]) <= 0.2 <= float(bound["high"])
    code, out, _ = said(capsys, "hunt", str(path))
    assert code == 0
    assert "C7 behind Q7: BELOW" in out


def test_a_failure_after_a_wider_reading_that_stood_is_hunted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The whole met its limit; a day later a reading with Q5 off does not. A wider one that meets ends the hunt."""
    stood = [*(position(*each) for each in POSITIONS.items()), result("88", "meets")]
    later = [*stood, position("Q5", "off"), result("0.19", "fails")]
    for name, entries in (("later", later), ("over", [*later, position("Q5", "on"), result("91", "meets")])):
        (tmp_path / name).mkdir()
        logbook(tmp_path / name, *entries)
    found = as_json(capsys, "hunt", str(tmp_path / "later" / "job.zerofirst"))
    assert found["began"] == 7
    assert not found["done"]
    code, _, err = said(capsys, "hunt", str(tmp_path / "over" / "job.zerofirst"))
    assert (code, err.startswith("The last reading of the whole (entry 9) did not fail")) == (2, True)


def test_nothing_to_hunt(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = logbook(tmp_path)
    code, out, err = said(capsys, "hunt", str(path))
    assert (code, out) == (2, "")
    assert err.startswith("No insulation of a whole board was taken here: ")
    (tmp_path / "b").mkdir()
    path = logbook(tmp_path / "b", *(position(*each) for each in POSITIONS.items()), result("88", "meets"))
    assert said(capsys, "hunt", str(path))[2].startswith("The last reading of the whole (entry 5) did not fail")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["reach", "--at", "C99"], "There is no board or circuit 'C99'"),
        (["reach", "--at", "C\x1b[31m"], "There is no board or circuit 'C␛[31m'"),
        (["reach", "--between", "L+X/PE"], "Between 'L+X/PE': 'X' is no conductor"),
        (["reach", "--between", ""], "Between '': 'nothing' is no conductor"),
        (["reach", "--test", "nonsense"], "There is no test 'nonsense': choose one of insulation"),
        (["reach", "--test", "visual"], "The test visual looks at no conductors"),
        (["steps", "--at", "C99"], "There is no board or circuit 'C99'"),
        (["hunt", "--limit", "-1"], "The limit must be a number above 0"),
    ],
)
def test_bad_calls_are_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], sentence: str
) -> None:
    path = logbook(tmp_path)
    before = path.read_bytes()
    code, out, err = said(capsys, words[0], str(path), *words[1:])
    assert (code, out) == (2, "")
    assert err.startswith(sentence)
    assert err.count("\n") == 1
    assert path.read_bytes() == before


def test_a_job_on_appliances_has_nothing_to_draw(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    body = {"job": {"title": "Bench", "kind": "appliances", "rules": "iec"}, "appliance": [{"id": "T1", "class": "I"}]}
    path = tmp_path / "bench.zerofirst"
    first = [(Kind.JOB, {"title": "Bench", "kind": "appliances", "plan": body})]
    Logbook.create(path, first, ManualClock(), None).close()
    code, _, err = said(capsys, "reach", str(path))
    assert code == 2
    assert err.startswith("This job is about appliances")
