"""What may not be selected: settings that no tester has, tests of what is not there, leads that cannot answer."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from itertools import product
from typing import Any

import pytest
from gate_bench import Bench, studio_plan

from logger.job.model import (
    Appliance,
    ApplianceClass,
    Board,
    Circuit,
    Device,
    DeviceKind,
    Earth,
    EarthKind,
    Item,
    JobKind,
    Plan,
    Rcd,
)
from logger.quantity import Test
from logger.recorder.event import Refusal
from logger.recorder.possible import RCD_MULTIPLES, RCD_PHASES, between_for, setting_for
from logger.rules.pack import load_pack, pack_names
from tui.screens.choosing import RCD_SETTINGS

OVERRIDE = "only the words are tried"


@pytest.mark.parametrize(
    ("fields", "part", "possible"),
    [
        ({"setting": {"multiple": 3}}, "no RCD is tested with a multiple of 3", ["0.5", "1", "2", "5"]),
        ({"setting": {"multiple": "-1"}}, "no RCD is tested with a multiple of -1", ["0.5", "1", "2", "5"]),
        ({"setting": {"phase": 90}}, "no RCD is tested with a phase of 90: choose 0 or 180", ["0", "180"]),
        ({"setting": {"rated": 0}}, "it must be more than 0", None),
        ({"setting": {"colour": 1}}, "`setting` may hold multiple, phase and rated", ["multiple", "phase", "rated"]),
        ({"setting": "5x"}, "`setting` may hold multiple, phase and rated", ["multiple", "phase", "rated"]),
        ({"item": "C1"}, "the plan has no RCD on C1, so there is nothing for rcd-time to trip", None),
        ({"item": "C1", "test": "rcd-current"}, "nothing for rcd-current to trip", None),
        (
            {"between": "L/N"},
            "rcd-time on C2 is not taken between L/N: its current runs from a line to earth",
            ["L/PE"],
        ),
        ({"item": None}, "the step needs `item`", ["DB1", "E1", "C1", "C2"]),
        ({"item": "C9"}, "the plan has no item 'C9'", ["DB1", "E1", "C1", "C2"]),
        ({"test": "insulation", "setting": {"multiple": 1}}, "insulation has no setting", None),
        ({"test": "insulation", "between": "PE"}, "it needs conductors on both leads", None),
        ({"test": "insulation", "between": "L2/PE"}, "insulation on C2 is not taken between L2/PE: it has no L2", None),
        ({"test": "insulation", "between": "L/L+N"}, "L is on two leads", None),
        ({"test": "insulation", "between": "red/black"}, "names no conductors", None),
        ({"test": "line-loop", "between": "L/PE"}, "from a line to neutral or to another line", ["L/N"]),
        ({"test": "earth-loop", "between": "L+N/PE"}, "from a line to earth", ["L/PE"]),
        ({"test": "earth-continuity", "between": "L+N/PE"}, "from end to end", ["PE", "L/PE"]),
        ({"item": "E1", "test": "earth-continuity", "between": "L+N/PE"}, "has PE alone", ["PE"]),
        ({"item": "E1", "test": "earth-continuity", "between": "L/PE"}, "has PE alone", ["PE"]),
    ],
)
def test_refused_in_one_sentence(bench: Bench, fields: dict[str, Any], part: str, possible: list[str] | None) -> None:
    asked = {"item": "C2", "test": "rcd-time", "override": OVERRIDE, **fields}
    before = len(bench.log.entries)
    refused = bench.answer("select", **{name: value for name, value in asked.items() if value is not None})
    assert refused["event"] == "refused"
    assert part in refused["why"]
    assert "\n" not in refused["why"]
    assert possible is None or refused["possible"] == possible
    assert len(bench.log.entries) == before, "a refused step leaves nothing in the log"


@pytest.mark.parametrize(("multiple", "phase"), [("0.5", 0), ("0.50", 180), (1, 0), (2, 180), (5, 0)])
def test_settings_that_there_are(bench: Bench, multiple: object, phase: int) -> None:
    setting = {"multiple": multiple, "phase": phase}
    selected = bench.answer("select", item="C2", test="rcd-time", setting=setting, override=OVERRIDE)
    assert selected["event"] == "selected"
    assert Decimal(selected["setting"]["multiple"]) == Decimal(str(multiple))
    assert selected["setting"]["rated"] == "30"


def test_an_rcd_along_the_path_can_be_tested() -> None:
    plan = studio_plan()
    circuit = replace(plan.circuits[0], path=(Device("R1", DeviceKind.RCD, 2),))
    bench = Bench(replace(plan, circuits=(circuit,)))
    assert bench.answer("select", item="C1", test="rcd-time", override=OVERRIDE)["event"] == "selected"


def test_only_a_caution_that_there_is_is_confirmed(bench: Bench) -> None:
    refused = bench.answer("confirm", caution="insolation")
    assert (refused["event"], refused["why"]) == ("refused", "there is no caution 'insolation': name its test")
    assert "insulation" in refused["possible"]
    assert bench.answer("confirm", caution="insulation")["event"] == "confirmed"
    told = next(event for event in bench.step("select", item="C1", test="insulation") if event["event"] == "caution")
    assert bench.answer("confirm", caution=told["text"])["event"] == "confirmed"


ITEMS: tuple[Item, ...] = (
    Board("DB1"),
    Circuit("C1", "DB1", rcd=Rcd("A", Decimal(30))),
    *(Earth(str(kind), kind) for kind in EarthKind),
    *(Appliance(str(kind), kind) for kind in ApplianceClass),
)


@pytest.mark.parametrize("name", pack_names())
def test_what_a_rule_pack_names_is_possible(name: str) -> None:
    """Every pair of conductors that our packs name can be selected, and nothing else is the default."""
    pack = load_pack(name)
    plan = studio_plan() if pack.kind is JobKind.INSTALLATION else Plan("Tool store", JobKind.APPLIANCES, name)
    for item, test in product(ITEMS, Test):
        usual = pack.betweens_for(test, item)
        assert between_for(None, test, item, plan, pack) == (usual[0] if usual else "")
        drawn = not isinstance(item, Earth) and test is not Test.PHASE_ROTATION  # those need other conductors
        for between in usual if drawn and test in pack.possible_tests(item, plan) else ():
            assert between_for(between, test, item, plan, pack) == between


def test_three_phases_have_their_lines() -> None:
    plan = studio_plan()
    assert plan.supply is not None
    circuits = (Circuit("C1", "DB1", phase="L1L2L3"), Circuit("C2", "DB1", phase="L2"))
    plan, pack = replace(plan, supply=replace(plan.supply, phases=3), circuits=circuits), load_pack("iec")
    whole, one = plan.circuits
    for between in ("L1+L2+L3+N/PE", "L1/L2", "L/N", "L2/PE"):
        assert between_for(between, Test.INSULATION, whole, plan, pack) == between
    assert between_for("L2/PE", Test.EARTH_LOOP, one, plan, pack) == "L2/PE"
    assert between_for("L1/L3", Test.LINE_LOOP, whole, plan, pack) == "L1/L3"
    with pytest.raises(Refusal) as refused:
        between_for("L1/PE", Test.EARTH_LOOP, one, plan, pack)
    assert "it has no L1" in refused.value.why


def test_a_setting_is_kept_as_plain_numbers() -> None:
    item = Circuit("C1", "DB1", rcd=Rcd("A", Decimal("30.0")))
    assert setting_for({"multiple": "5.0", "phase": 0}, Test.RCD_TIME, item) == {
        "multiple": "5",
        "phase": "0",
        "rated": "30",
    }
    assert setting_for(None, Test.INSULATION, item) == {}


def test_the_app_offers_every_setting_that_there_is_and_no_other() -> None:
    assert {multiple for multiple, _, _ in RCD_SETTINGS} == set(RCD_MULTIPLES)
    assert {phase for _, _, phase in RCD_SETTINGS} == set(RCD_PHASES)
