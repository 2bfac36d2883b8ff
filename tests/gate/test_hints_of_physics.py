"""Results that do not fit copper, or each other, come with a hint; those that fit come without."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from gate_bench import Bench, studio_plan

from logger.quantity import Function
from logger.reading import Flag


def continuity(bench: Bench, value: str, item: str = "C1", between: str = "PE") -> dict[str, Any]:
    bench.prove_continuity()
    bench.step("select", item=item, test="earth-continuity", between=between)
    bench.read(value, Function.CONTINUITY, unit="Ohm", flags=(Flag.NULLED,))
    return bench.answer("take")


@pytest.mark.parametrize(("value", "hint"), [("0.09", False), ("0.60", True)])
def test_continuity_against_length_and_section(bench: Bench, value: str, hint: bool) -> None:
    """12 m of 2.5 mm2 come to 0.0889 Ohm at 20 degrees (IEC 60228)."""
    assert ("hints" in continuity(bench, value)) is hint


def test_a_plan_without_length_gives_no_hint(bench: Bench) -> None:
    assert "hints" not in continuity(bench, "3.00", "C2")


def insulation(bench: Bench, item: str, value: str, between: str = "L+N/PE") -> dict[str, Any]:
    bench.step("select", item=item, test="insulation", voltage="500", between=between)
    bench.read(value)
    return bench.answer("take")


def test_the_whole_against_the_parallel_of_its_circuits(bench: Bench) -> None:
    """Lines alone: the whole is the parallel of its circuits."""
    bench.prove_insulation()
    assert "hints" not in insulation(bench, "C1", "20.00", "L/PE")
    assert "hints" not in insulation(bench, "C2", "20.00", "L/PE")
    assert "something besides these circuits leaks" in insulation(bench, "DB1", "2.00", "L/PE")["hints"][0]
    assert "hints" not in insulation(bench, "DB1", "10.00", "L/PE")
    assert "not every circuit was connected" in insulation(bench, "DB1", "19.50", "L/PE")["hints"][0]


def test_neutrals_that_stay_on_the_bar_are_in_every_circuits_reading(bench: Bench) -> None:
    """With the neutrals joined at the bar the parallel is only a lower bound, and the lowest circuit the upper one."""
    bench.prove_insulation()
    insulation(bench, "C1", "20.00")
    insulation(bench, "C2", "60.0")
    assert "hints" not in insulation(bench, "DB1", "19.50")
    assert "not every circuit was connected" in insulation(bench, "DB1", "60.0")["hints"][0]
    assert "something besides" in insulation(bench, "DB1", "5.00")["hints"][0]


def test_a_result_that_failed_explains_what_does_not_fit_it(bench: Bench) -> None:
    bench.prove_insulation()
    insulation(bench, "DB1", "0.18")
    insulation(bench, "C1", "20.00")
    assert "hints" not in insulation(bench, "C2", "20.00")


def test_an_over_range_circuit_only_bounds_the_whole(bench: Bench) -> None:
    bench.prove_insulation()
    for item, value, relation in (("C1", "1000", "gt"), ("C2", "20.00", "eq")):
        bench.step("select", item=item, test="insulation", voltage="500")
        bench.read(value, relation=relation)
        bench.step("take")
    assert "hints" not in insulation(bench, "DB1", "19.90")


def test_the_loop_against_the_supply_and_r1_r2(make_bench: type[Bench]) -> None:
    plan = studio_plan()
    assert plan.supply is not None
    bench = make_bench(replace(plan, supply=replace(plan.supply, ze_ohm=Decimal("0.35"))))
    continuity(bench, "0.13", between="L/PE")
    bench.prove_insulation()
    insulation(bench, "C1", "412")
    bench.step("select", item="C1", test="earth-loop")
    for value, hint in (("0.48", False), ("1.90", True)):
        bench.read(value, Function.EARTH_LOOP, unit="Ohm")
        assert ("hints" in bench.answer("take")) is hint


@pytest.mark.parametrize(
    ("value", "relation", "output", "said"),
    [
        ("5.00", "eq", "2", "Only 2 V of 500 V were on the leads"),
        ("5.00", "eq", "449", "Only 449 V of 500 V were on the leads"),
        ("1000", "gt", "120", "Only 120 V of 500 V were on the leads"),
        ("5.00", "eq", "640", "640 V were on the leads where 500 V are the test voltage"),
        ("5.00", "eq", "450", None),
        ("5.00", "eq", "625", None),
        ("0.40", "eq", "180", None),
        ("5.00", "eq", None, None),
    ],
)
def test_the_test_voltage_that_was_on_the_leads(
    bench: Bench, value: str, relation: str, output: str | None, said: str | None
) -> None:
    """It changes neither whether a reading counts nor what it comes to."""
    bench.prove_insulation()
    bench.step("select", item="C1", test="insulation", voltage="500")
    assert bench.reading(value, relation=relation, output_voltage=output)["accepted"]
    result = bench.answer("take")
    assert result["verdict"] == ("fails" if value == "0.40" else "meets")
    hints = result.get("hints", [])
    assert len(hints) == (said is not None)
    assert said is None or said in hints[0]


@pytest.mark.parametrize(("value", "said"), [("0.20", True), ("0.27", True), ("0.28", False), ("0.31", False)])
def test_less_than_the_leads_alone(make_bench: type[Bench], value: str, said: bool) -> None:
    bench = make_bench(studio_plan("as-nzs"))
    bench.check("infinity", "20", Function.CONTINUITY, unit="Ohm", relation="gt")
    assert bench.check("zero", "0.30", Function.CONTINUITY, unit="Ohm")["outcome"] == "pass"
    bench.step("select", item="E1", test="earth-continuity")
    bench.read(value, Function.CONTINUITY, unit="Ohm")
    result = bench.answer("take")
    assert ("less than the leads alone" in "".join(result.get("hints", []))) is said
    assert result["sentence"].count("less 0.30 Ohm of leads") == 1
