"""What the screen says that a reading would come to is what the result says once it is taken."""

from __future__ import annotations

from decimal import Decimal

import pytest
from screen_bench import ScreenBench, studio_plan

from logger.job.model import Circuit, Device, DeviceKind, Load
from logger.quantity import Function, Test


def kiln_bench() -> ScreenBench:
    kiln = Circuit(
        "C1",
        "DB1",
        "Kiln",
        load=Load("heating", Decimal(8400)),
        path=(Device("Q1", DeviceKind.BREAKER, 2), Device("S1", DeviceKind.ISOLATOR, 2)),
        required=(Test.INSULATION,),
    )
    return ScreenBench(studio_plan(rules="as-nzs", circuits=(kiln,)))


def taken(bench: ScreenBench) -> dict[str, object]:
    bench.step("take")
    return dict(bench.sitting.state.results[-1].body)


def test_leads_that_were_not_nulled() -> None:
    bench = ScreenBench(studio_plan(rules="as-nzs"))
    bench.check("infinity", "20", Function.CONTINUITY, unit="Ohm", relation="gt")
    bench.check("zero", "0.30", Function.CONTINUITY, unit="Ohm")
    bench.step("select", item="E1", test="earth-continuity")
    bench.read("0.70", Function.CONTINUITY, unit="Ohm")
    assert bench.says("means").startswith("meets at most 0.5 Ω, by 20 %, less 0.30 Ohm of leads")
    assert str(taken(bench)["sentence"]) == "meets, by 20 %, less 0.30 Ohm of leads"
    bench.read("0.20", Function.CONTINUITY, unit="Ohm")
    assert "less than the leads alone (0.30 Ohm): they changed since the zero check" in bench.says("means")
    assert bench.says("means").endswith("check zero again")


def test_a_test_voltage_that_did_not_stand() -> None:
    bench = kiln_bench()
    bench.select()
    bench.prove()
    bench.read("5.00", output="2")
    lines = bench.says("means").split("\n")
    assert "Only 2 V of 500 V were on the leads: the test voltage did not stand" in lines
    assert lines[-1].endswith("measure again")
    bench.read("5.00", output="505")
    assert "on the leads" not in bench.says("means")


@pytest.mark.parametrize(("position", "verdict", "asked"), [("on", "meets", "0.01 MΩ"), ("off", "fails", "1 MΩ")])
def test_an_element_behind_a_switch(position: str, verdict: str, asked: str) -> None:
    bench = kiln_bench()
    bench.step("set", device="S1", position=position)
    bench.select()
    bench.prove()
    bench.read("0.02")
    means = bench.says("means")
    assert means.startswith(verdict)
    assert f"at least {asked}" in means
    assert taken(bench)["verdict"] == verdict
