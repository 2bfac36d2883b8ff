"""A closing check asks for what the opening check did: a reference where there is no infinity."""

from __future__ import annotations

import pytest
from gate_bench import Bench

from logger.job.work import closing_point
from logger.proof import Point, ProofKey
from logger.quantity import Function

LOOP = Function.EARTH_LOOP


def reference(bench: Bench, function: Function, value: str) -> None:
    bench.step("prove", point="reference", function=str(function), expect="0.50", unit="Ohm")
    assert [event for _ in range(3) for event in bench.read(value, function, unit="Ohm")][-1]["outcome"] == "pass"


@pytest.fixture
def loop_result(bench: Bench) -> Bench:
    """A loop meter proven by zero and a reference, and a result taken with it."""
    reference(bench, LOOP, "0.51")
    assert bench.check("zero", "0.01", LOOP, unit="Ohm")["outcome"] == "pass"
    bench.step("select", item="C1", test="earth-loop", override="only the closing check is tried")
    bench.read("0.41", LOOP, unit="Ohm")
    assert bench.answer("take")["event"] == "result"
    return bench


def words(bench: Bench) -> list[str]:
    return [str(each["why"]) for each in bench.answer("close")["unfinished"] if each.get("test") == "earth-loop"]


def test_a_loop_meter_is_closed_by_its_reference(loop_result: Bench) -> None:
    asked = "has no closing check: check zero and a reference of meter 0417 on earth-loop again"
    assert words(loop_result) == [asked]
    loop_result.check("zero", "0.01", LOOP, unit="Ohm")
    assert words(loop_result) == [asked]
    reference(loop_result, LOOP, "0.49")
    assert words(loop_result) == []


def test_also_after_its_proof_has_lapsed(loop_result: Bench) -> None:
    loop_result.tell("leads-changed")
    assert "check zero and a reference" in words(loop_result)[0]


def test_each_proof_by_what_opened_it(bench: Bench) -> None:
    continuity = ProofKey("0417", Function.CONTINUITY)
    assert closing_point(bench.state, continuity) is Point.INFINITY
    assert closing_point(bench.state, ProofKey("0417", LOOP)) is Point.REFERENCE
    bench.check("zero", "0.02", Function.CONTINUITY, unit="Ohm")
    reference(bench, Function.CONTINUITY, "0.50")
    assert closing_point(bench.state, continuity) is Point.REFERENCE
    bench.check("infinity", "20", Function.CONTINUITY, unit="Ohm", relation="gt")
    assert closing_point(bench.state, continuity) is Point.INFINITY
