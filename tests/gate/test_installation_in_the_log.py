"""What the recorder knows of the installation: positions, alterations, and what each result covers."""

from __future__ import annotations

from dataclasses import replace

from gate_bench import Bench, studio_plan

from logger.job.model import Device, DeviceKind, Plan
from logger.quantity import Test


def with_a_switch() -> Plan:
    plan = studio_plan()
    kiln = replace(plan.circuits[0], path=(Device("Q1", DeviceKind.BREAKER), Device("S1", DeviceKind.ONE_WAY)))
    return replace(plan, circuits=(kiln, *plan.circuits[1:]))


def test_a_result_says_what_it_did_not_reach_and_why(make_bench: type[Bench]) -> None:
    bench = make_bench(with_a_switch())
    bench.prove_insulation()
    assert bench.answer("set", device="S1", position="off")["event"] == "set"
    bench.step("select", item="C1", test="insulation", voltage="500")
    bench.read("412")
    reach = bench.answer("take")["reach"]
    unreached = {each["segment"]: each["because"] for each in reach["unreached"]}
    assert unreached["C1/L/2"] == [{"device": "S1", "position": "off"}]
    assert "C1/L/1" in reach["reached"]
    assert {each["what"] for each in reach["spoiled_by"]} >= {"LK1"}
    assert 0 < reach["share"]["count"] < 1


def test_a_failure_is_not_mended_by_opening_a_switch(make_bench: type[Bench]) -> None:
    """Whatever reads less than the failed reading did leaves it standing; all of it again, or in parts, does not."""

    def take(value: str) -> str:
        bench.step("select", item="C1", test="insulation", voltage="500")
        bench.read(value)
        return str(bench.answer("take")["verdict"])

    def stands() -> tuple[str, int]:
        worst = bench.state.result_for("C1", Test.INSULATION)
        assert worst is not None
        return worst.verdict, sum(each.item == "C1" for each in bench.state.current.values())

    bench = make_bench(with_a_switch())
    bench.prove_insulation()
    bench.step("set", device="LK1", position="out")
    bench.step("set", device="Q0", position="off")
    assert (take("0.30"), stands()) == ("fails", ("fails", 1))
    bench.step("set", device="S1", position="off")
    assert (take("412"), stands()) == ("meets", ("fails", 2))
    assert (take("0.90"), stands()) == ("fails", ("fails", 2))
    bench.step("set", device="S1", position="on")
    assert (take("380"), stands()) == ("meets", ("meets", 1))


def test_the_supply_is_a_device_too(bench: Bench) -> None:
    assert bench.answer("set", device="supply", position="off")["event"] == "set"
    assert bench.state.positions["supply"] == "off"


def test_what_cannot_be_set_is_refused_with_what_can(bench: Bench) -> None:
    assert set(bench.answer("set", device="S9", position="on")["possible"]) >= {"Q0", "LK1"}
    assert bench.answer("set", device="Q0", position="half")["possible"] == ["on", "off"]
    assert bench.answer("alter", what="LK1", to="sideways")["possible"] == ["in", "out"]


def test_a_device_that_an_alteration_holds_is_put_back_by_restoring(bench: Bench) -> None:
    bench.step("alter", what="LK1", to="out", why="insulation of the neutral")
    assert "restore" in bench.answer("set", device="LK1", position="in")["why"]
    bench.step("restore", what="LK1")
    assert bench.answer("set", device="LK1", position="in")["event"] == "set"


def test_a_link_that_was_only_set_out_keeps_the_job_open_and_can_be_restored(bench: Bench) -> None:
    for item in ("C1", "C2"):
        bench.step("skip", item=item, test="insulation", why="next week")
    bench.step("set", device="LK1", position="out")
    assert [each["what"] for each in bench.answer("close")["unfinished"]] == ["LK1"]
    assert bench.answer("restore", what="LK1")["event"] == "restored"
    assert bench.state.positions["LK1"] == "in"
    assert bench.answer("close")["event"] == "closed"


def test_alterations_may_be_named_in_free_words(bench: Bench) -> None:
    altered = bench.answer("alter", what="lamp over the wheel", to="out", why="its electronics")
    assert altered["event"] == "altered"
    assert "nothing in the plan is called that" in altered["hint"]
    assert "hint" not in bench.answer("alter", what="LK1", to="out", why="it joins neutral and earth")
    bench.step("restore", what="LK1")
    assert "lamp over the wheel" in bench.state.alterations
    assert bench.answer("restore", what="the lamp")["possible"] == ["lamp over the wheel"]
