"""Which limit a reading is judged by, as the installation stands: elements, pairs of conductors, sensitive devices."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from gate_bench import Bench, studio_plan

from logger.job.model import (
    Appliance,
    ApplianceClass,
    Cable,
    Circuit,
    Device,
    DeviceKind,
    JobKind,
    Load,
    Plan,
    Rcd,
)
from logger.quantity import Function, Test
from logger.recorder.results import limit_on


def kiln_plan(rules: str = "as-nzs", phases: int = 1) -> Plan:
    """One kiln behind a breaker and a switch."""
    plan = studio_plan(rules)
    assert plan.supply is not None
    kiln = Circuit(
        "C1",
        "DB1",
        "Kiln",
        phase="L" if phases == 1 else "L1L2L3",
        load=Load("heating", Decimal(8400)),
        cable=Cable(Decimal(12), Decimal(6), Decimal(6), Decimal("2.5")),
        path=(Device("Q1", DeviceKind.BREAKER, 2), Device("S1", DeviceKind.ISOLATOR, 2)),
        required=(Test.INSULATION,),
    )
    supply = replace(plan.supply, phases=phases)
    return replace(plan, supply=supply, circuits=(kiln,))


def insulation(bench: Bench, value: str, between: str = "L+N/PE", voltage: str = "500") -> dict[str, Any]:
    bench.step("select", item="C1", test="insulation", voltage=voltage, between=between)
    bench.read(value, voltage=voltage)
    return bench.answer("take")


@pytest.fixture
def kiln(make_bench: type[Bench]) -> Bench:
    bench = make_bench(kiln_plan())
    bench.prove_insulation()
    return bench


def test_with_the_element_in_the_reading_the_relaxed_limit_holds(kiln: Bench) -> None:
    for between in ("L+N/PE", "L/PE", "N/PE"):
        result = insulation(kiln, "0.02", between)
        assert (result["verdict"], result["limit"], result["rule"]) == ("meets", "0.01", "as-nzs/insulation-elements")


@pytest.mark.parametrize(
    "alteration",
    [("load of C1", "unplugged"), ("kiln of C1", "unplugged"), ("C1/L/2", "off"), ("C1/PE/2", "off")],
)
def test_with_the_element_away_the_wiring_must_reach_one_megohm(kiln: Bench, alteration: tuple[str, str]) -> None:
    kiln.step("alter", what=alteration[0], to=alteration[1], why="to measure the cable")
    kiln.step("alter", what="C1/N/2", to="off", why="to measure the cable")
    result = insulation(kiln, "0.02")
    assert (result["verdict"], result["limit"]) == ("fails", "1")
    assert insulation(kiln, "1.20")["verdict"] == "meets"
    kiln.step("restore", what=alteration[0])
    kiln.step("restore", what="C1/N/2")
    assert insulation(kiln, "0.02")["verdict"] == "meets"


def test_an_element_behind_an_open_switch_is_not_in_the_reading(kiln: Bench) -> None:
    kiln.step("set", device="S1", position="off")
    limit = limit_on(kiln.state, kiln.state.selection, None) if kiln.state.selection else None
    assert limit is None
    result = insulation(kiln, "0.02")
    assert (result["verdict"], result["rule"]) == ("fails", "as-nzs/insulation-elements-out")
    assert kiln.state.selection is not None
    limit = limit_on(kiln.state, kiln.state.selection, None)
    assert limit is not None
    assert limit.words == "at least 1 MOhm"


def test_between_line_and_neutral_nothing_is_relaxed(kiln: Bench) -> None:
    assert insulation(kiln, "0.02", "L/N")["verdict"] == "fails"


@pytest.mark.parametrize("what", ["heater in the lid", "C1 cable gland"])
def test_where_it_cannot_be_told_the_stricter_limit_holds(kiln: Bench, what: str) -> None:
    kiln.step("alter", what=what, to="pulled", why="to get at it")
    result = insulation(kiln, "0.02")
    assert (result["verdict"], result["rule"]) == ("fails", "as-nzs/insulation-elements-unknown")
    assert (
        "stricter"
        in kiln.state.pack.limit_for(  # type: ignore[union-attr]
            Test.INSULATION, kiln_plan().circuits[0], kiln_plan()
        ).sentence
    )


def voltage(bench: Bench, value: str, between: str) -> dict[str, Any]:
    bench.step("select", item="C1", test="voltage", between=between, override="only the supply is looked at")
    bench.read(value, Function.VOLTAGE_AC, unit="V")
    return bench.answer("take")


@pytest.mark.parametrize(
    ("phases", "between", "value", "verdict"),
    [
        (1, "L/N", "230.0", "meets"),
        (1, "L/N", "214.0", "fails"),
        (1, "L/PE", "230.0", "meets"),
        (1, "N/PE", "230.0", "recorded"),
        (1, "N/PE", "1.1", "recorded"),
        (3, "L1/N", "230.0", "meets"),
        (3, "L2/PE", "260.0", "fails"),
        (3, "L1/L2", "400.0", "meets"),
        (3, "L1/L2", "230.0", "fails"),
        (3, "N/PE", "230.0", "recorded"),
    ],
)
def test_the_supplys_window_holds_for_pairs_that_it_means(
    make_bench: type[Bench], phases: int, between: str, value: str, verdict: str
) -> None:
    bench = make_bench(kiln_plan(phases=phases))
    bench.prove_continuity()
    assert voltage(bench, value, between)["verdict"] == verdict


def tool_store(rules: str) -> Plan:
    lead = Appliance("R1", ApplianceClass.PORTABLE_RCD, "Lead with a device", required=(Test.RCD_TIME,))
    return Plan("Tool store", JobKind.APPLIANCES, rules, appliances=(lead,))


@pytest.mark.parametrize(
    ("rules", "rated", "multiple", "value", "verdict"),
    [
        ("as-nzs-appliances", "30", "1", "290", "meets"),
        ("as-nzs-appliances", "30", "1", "301", "fails"),
        ("as-nzs-appliances", "30", "5", "39", "meets"),
        ("as-nzs-appliances", "10", "1", "290", "recorded"),
        ("as-nzs-appliances", "6", "1", "25", "recorded"),
        ("as-nzs-appliances", "10", "5", "39", "recorded"),
        ("as-nzs-appliances", None, "1", "290", "recorded"),
        ("en-appliances", "10", "1", "290", "meets"),
        ("uk-appliances", "10", "1", "290", "meets"),
    ],
)
def test_a_portable_device_by_its_rating(
    make_bench: type[Bench], rules: str, rated: str | None, multiple: str, value: str, verdict: str
) -> None:
    bench = make_bench(tool_store(rules))
    bench.prove_continuity()
    setting = {"multiple": multiple, "phase": "0"} | ({"rated": rated} if rated else {})
    bench.step("select", item="R1", test="rcd-time", setting=setting, override="the case has no earth to prove")
    bench.read(value, Function.RCD_TIME, unit="ms", setting=setting)
    result = bench.answer("take")
    assert result["verdict"] == verdict, result
    if rated in {"6", "10"} and verdict == "recorded":
        assert "check your edition" in result["sentence"]


@pytest.mark.parametrize(("rated", "verdict"), [("10", "recorded"), ("30", "meets")])
def test_a_sensitive_device_of_an_installation_is_recorded(make_bench: type[Bench], rated: str, verdict: str) -> None:
    plan = studio_plan("as-nzs")
    circuit = replace(plan.circuits[1], rcd=Rcd("A", Decimal(rated)))
    bench = make_bench(replace(plan, circuits=(plan.circuits[0], circuit)))
    bench.prove_continuity()
    setting = {"multiple": "1", "phase": "0", "rated": rated}
    bench.step("select", item="C2", test="rcd-time", setting=setting, override="only the device is looked at")
    bench.read("290", Function.RCD_TIME, unit="ms", setting=setting)
    assert bench.answer("take")["verdict"] == verdict
