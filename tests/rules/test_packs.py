"""Rule packs: read whole or refused whole, every figure with its source, and what they ask of items."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InputWrong, RulesWrong
from logger.job.model import (
    Appliance,
    ApplianceClass,
    Board,
    Cable,
    Circuit,
    Decision,
    Earth,
    EarthingSystem,
    EarthKind,
    JobKind,
    Load,
    Plan,
    Protection,
    Rcd,
    Supply,
)
from logger.quantity import LIVE_TESTS, Displayed, Test
from logger.rules.limit import JUDGED_BY, Confidence
from logger.rules.pack import load_pack, pack_from_body, pack_names
from logger.rules.verdict import Verdict, judge

FIXTURES = Path(__file__).parents[2] / "fixtures" / "rules"
INSTALLATION = ("as-nzs", "bs", "iec")
CORD = Cable(Decimal(2), earth_mm2=Decimal("0.75"))
APPLIANCES = ("as-nzs-appliances", "en-appliances", "uk-appliances")


def circuit(**more: Any) -> Circuit:
    fields: dict[str, Any] = {
        "id": "C1",
        "board": "DB1",
        "protection": Protection("B", Decimal(32), Decimal(6)),
        "rcd": Rcd("A", Decimal(30)),
        "cable": Cable(Decimal(28), Decimal("2.5"), Decimal("2.5"), Decimal("1.5")),
        "load": Load("sockets"),
    }
    return Circuit(**{**fields, **more})


def plan(*circuits: Circuit, system: EarthingSystem = EarthingSystem.TN_C_S, phases: int = 1, volts: int = 230) -> Plan:
    supply = Supply(system, Decimal(volts), phases)
    return Plan("Kiln shed", JobKind.INSTALLATION, "iec", supply=supply, boards=(Board("DB1"),), circuits=circuits)


def words(pack: str, test: Test, item: Any, where: Plan, **more: Any) -> str:
    limit = load_pack(pack).limit_for(test, item, where, **more)
    assert limit is not None
    return limit.words if limit.judged else ""


def test_names() -> None:
    assert pack_names() == tuple(sorted((*INSTALLATION, *APPLIANCES)))


@pytest.mark.parametrize("name", pack_names())
def test_a_pack_stands_in_the_log_whole(name: str) -> None:
    pack = load_pack(name)
    again = pack_from_body(json.loads(json.dumps(pack.body)))
    assert again == pack
    assert pack.edition
    assert pack.jurisdiction
    assert "Check each figure against your own edition and your local rules" in pack.notice


@pytest.mark.parametrize("name", pack_names())
def test_no_figure_without_a_source(name: str) -> None:
    for rule in load_pack(name).limits:
        assert rule.source
        assert rule.sentence
        if rule.judged:
            assert rule.clause, f"{name}/{rule.id} is judged and names no clause"
            assert rule.confidence in JUDGED_BY


@pytest.mark.parametrize("name", pack_names())
def test_what_is_unsure_gives_no_verdict(name: str) -> None:
    unsure = [rule for rule in load_pack(name).limits if rule.confidence is Confidence.UNSURE]
    assert not any(rule.judged for rule in unsure)


def test_unsure_figures_of_the_trade_notes_are_recorded() -> None:
    pack, where = load_pack("as-nzs"), plan()
    bonding = pack.limit_for(Test.EARTH_CONTINUITY, Earth("E2", EarthKind.BONDING), where)
    got = judge(Displayed("9.9", "Ohm"), bonding, None, Decision.SIMPLE)
    assert got.verdict is Verdict.RECORDED
    assert "0.5 Ohm" in got.sentence


@pytest.mark.parametrize("name", pack_names())
def test_words_that_nobody_may_say(name: str) -> None:
    text = json.dumps(load_pack(name).body)
    assert not re.search(r"\bsafe\b|\bcomplian|\bcertif|\bguarantee", text, re.IGNORECASE)


@pytest.mark.parametrize("name", INSTALLATION)
def test_every_test_that_puts_a_voltage_on_conductors_has_a_caution(name: str) -> None:
    pack = load_pack(name)
    for test in {*LIVE_TESTS, Test.INSULATION, Test.EARTH_ELECTRODE}:
        assert pack.caution_for(test), test


@pytest.mark.parametrize("name", INSTALLATION)
def test_insulation_by_circuit_voltage(name: str) -> None:
    pack, where = load_pack(name), plan()
    usual, small = circuit(), circuit(nominal_v=Decimal(12))
    surge = circuit(load=Load("sockets", surge_protected=True))
    high = plan(phases=3, volts=400)
    assert pack.voltages_for(Test.INSULATION, usual, where) == ("500", "250")
    assert pack.voltages_for(Test.INSULATION, small, where) == ("250",)
    assert pack.voltages_for(Test.INSULATION, surge, where) == ("250", "500")
    assert pack.voltages_for(Test.INSULATION, circuit(phase="L1L2L3"), high) == ("1000",)
    assert pack.voltages_for(Test.EARTH_LOOP, usual, where) == ()
    assert words(name, Test.INSULATION, usual, where).startswith("at least 1")
    assert words(name, Test.INSULATION, surge, where, voltage="250").startswith("at least 1")


@pytest.mark.parametrize(
    ("name", "device", "expected"),
    [
        ("iec", Protection("B", Decimal(32)), "at most 0.958333 Ohm"),
        ("iec", Protection("C", Decimal(16)), "at most 0.958333 Ohm"),
        ("bs", Protection("B", Decimal(32)), "at most 1.0925 Ohm"),
        ("bs", Protection("BS 88-2", Decimal(32)), "at most 0.792 Ohm"),
        ("bs", Protection("BS 88-2", Decimal(100)), "at most 0.336 Ohm"),
        ("as-nzs", Protection("C", Decimal(16)), "at most 1.91666 Ohm"),
        ("as-nzs", Protection("gG", Decimal(16)), ""),
        ("iec", Protection("K", Decimal(16)), ""),
        ("iec", None, ""),
    ],
)
def test_loop_by_device(name: str, device: Protection | None, expected: str) -> None:
    assert words(name, Test.EARTH_LOOP, circuit(protection=device), plan()) == expected


def test_loop_of_a_tt_system_is_the_electrodes() -> None:
    one = circuit()
    assert words("iec", Test.EARTH_LOOP, one, plan(one, system=EarthingSystem.TT)) == "at most 1666.66 Ohm"


@pytest.mark.parametrize("name", INSTALLATION)
@pytest.mark.parametrize(
    ("multiple", "delayed", "expected"),
    [
        ("0.5", False, "at least 300 ms"),
        ("1", False, "at most 300 ms"),
        ("1", True, "130 to 500 ms"),
        ("5", False, "at most 40 ms"),
        ("5", True, "50 to 150 ms"),
        ("7", False, None),
    ],
)
def test_residual_current_devices(name: str, multiple: str, delayed: bool, expected: str | None) -> None:
    item = circuit(rcd=Rcd("A", Decimal(300 if delayed else 30), delayed))
    limit = load_pack(name).limit_for(Test.RCD_TIME, item, plan(), setting={"multiple": multiple})
    assert (limit.words if limit else None) == expected
    assert limit is None or limit.no_trip is (multiple == "0.5")


def test_ramp_and_missing_device() -> None:
    assert words("iec", Test.RCD_CURRENT, circuit(), plan()) == "15 to 30 mA"
    assert words("iec", Test.RCD_TIME, circuit(rcd=None), plan()) == ""


def test_what_the_plan_does_not_say_is_named() -> None:
    bare = Appliance("A1", ApplianceClass.I)
    limit = load_pack("en-appliances").limit_for(Test.EARTH_CONTINUITY, bare, plan())
    assert limit is not None
    assert not limit.judged
    assert limit.sentence == "not judged: the plan does not say the length of the cord"


@pytest.mark.parametrize(
    ("name", "test", "fields", "expected"),
    [
        ("as-nzs", Test.EARTH_CONTINUITY, {"kind": EarthKind.MAIN_EARTH}, "at most 0.5 Ohm"),
        ("iec", Test.EARTH_CONTINUITY, {"kind": EarthKind.MAIN_EARTH}, ""),
        ("bs", Test.EARTH_CONTINUITY, {"kind": EarthKind.BONDING}, ""),
        ("bs", Test.EARTH_ELECTRODE, {"kind": EarthKind.ELECTRODE}, "at most 500 Ohm"),
    ],
)
def test_earths(name: str, test: Test, fields: Mapping[str, Any], expected: str) -> None:
    where = plan(circuit(), circuit(rcd=Rcd("A", Decimal(100))), system=EarthingSystem.TT)
    assert words(name, test, Earth("E1", **fields), where) == expected


@pytest.mark.parametrize(
    ("name", "test", "kind", "fields", "expected"),
    [
        ("en-appliances", Test.EARTH_CONTINUITY, "I", {"cord": Cable(Decimal(3))}, "at most 0.3 Ohm"),
        ("en-appliances", Test.INSULATION, "I", {"heating_w": Decimal(2000)}, "at least 0.3 MOhm"),
        ("en-appliances", Test.INSULATION, "II", {}, "at least 2.0 MOhm"),
        ("en-appliances", Test.INSULATION, "III", {}, "at least 0.25 MOhm"),
        ("en-appliances", Test.PROTECTIVE_CURRENT, "I", {"heating_w": Decimal(4200)}, "at most 4.2 mA"),
        ("en-appliances", Test.PROTECTIVE_CURRENT, "I", {}, "at most 3.5 mA"),
        ("en-appliances", Test.TOUCH_CURRENT, "II", {}, "at most 0.5 mA"),
        ("en-appliances", Test.SUBSTITUTE_CURRENT, "I", {}, ""),
        ("as-nzs-appliances", Test.EARTH_CONTINUITY, "I", {"cord": Cable(Decimal(50))}, "at most 1 Ohm"),
        ("as-nzs-appliances", Test.INSULATION, "I", {"heating_w": Decimal(2000)}, "at least 0.01 MOhm"),
        ("as-nzs-appliances", Test.TOUCH_CURRENT, "II", {}, "at most 1 mA"),
        ("as-nzs-appliances", Test.RCD_TIME, "portable-rcd", {}, ""),
        ("uk-appliances", Test.EARTH_CONTINUITY, "I", {"cord": CORD}, "at most 0.152 Ohm"),
        ("uk-appliances", Test.PROTECTIVE_CURRENT, "I", {"heating_w": Decimal(12000)}, "at most 5 mA"),
        ("uk-appliances", Test.TOUCH_CURRENT, "II", {}, "at most 0.25 mA"),
    ],
)
def test_appliances(name: str, test: Test, kind: str, fields: Mapping[str, Any], expected: str) -> None:
    assert words(name, test, Appliance("A1", ApplianceClass(kind), **fields), plan()) == expected


def test_tests_in_order_of_work() -> None:
    pack = load_pack("iec")
    ring = circuit(ring=True)
    asked = pack.tests_for(ring, plan(ring))
    assert asked == (
        Test.VISUAL,
        Test.EARTH_CONTINUITY,
        Test.RING_CONTINUITY,
        Test.INSULATION,
        Test.POLARITY,
        Test.RCD_TIME,
    )
    assert Test.EARTH_LOOP in pack.advised_for(ring, plan(ring))
    assert set(asked) <= set(pack.possible_tests(ring, plan(ring)))
    own = circuit(required=(Test.RCD_TIME, Test.INSULATION))
    assert pack.tests_for(own, plan(own)) == (Test.INSULATION, Test.RCD_TIME)
    assert pack.tests_for(circuit(required=()), plan()) == ()


def test_a_live_test_stands_after_the_dead_ones() -> None:
    pack, one = load_pack("bs"), circuit()
    assert pack.tests_before(Test.EARTH_LOOP, one, plan(one)) == (Test.EARTH_CONTINUITY, Test.INSULATION)
    assert pack.tests_before(Test.INSULATION, one, plan(one)) == ()
    assert pack.tests_again(Test.RCD_TIME, one, plan(one)) == (Test.EARTH_CONTINUITY, Test.INSULATION)


def test_conductors() -> None:
    pack = load_pack("en-appliances")
    assert load_pack("iec").between_for(Test.INSULATION, circuit()) == "L+N/PE"
    assert pack.between_for(Test.INSULATION, Appliance("A", ApplianceClass.I)) == "L+N/PE"
    assert pack.between_for(Test.INSULATION, Appliance("A", ApplianceClass.II)) == "L+N/case"
    assert pack.between_for(Test.VISUAL, circuit()) == ""


def test_a_users_own_pack() -> None:
    pack = load_pack(str(FIXTURES / "own.toml"))
    assert pack.bands.zero_nulled_ohm == Decimal("0.03")
    assert pack.bands.zero_raw_ohm == Decimal("1.00")
    limit = pack.limit_for(Test.INSULATION, circuit(), plan())
    assert limit is not None
    assert (limit.rule, limit.words, limit.source) == ("studio/insulation", "at least 5.0 MOhm", "2027-03, page 2")
    suggestion = pack.limit_for(Test.INSULATION, circuit(load=Load("motor")), plan())
    assert suggestion is not None
    assert not suggestion.judged


def test_a_wrong_pack_is_refused_with_every_fault() -> None:
    with pytest.raises(RulesWrong) as refused:
        load_pack(str(FIXTURES / "wrong.toml"))
    text = str(refused.value)
    for part in (
        "edition is missing",
        'kind is "instalation"; did you mean "installation"?',
        'unknown key "flavour"',
        'zero_nulled_ohm must be in quotes, zero_nulled_ohm = "0.05"',
        'no test is called "insulashun"; did you mean "insulation"?',
        'no item is called "circuits"; did you mean "circuit"?',
        'need is "wanted"',
        '"five hundred" is no voltage',
        'unknown key "colour"',
        'unknown key "nominal_v_atmost"',
        "least needs a unit",
        'confidence is "Q"',
        "voltage_factor is missing",
        'share is "two thirds", which is no number',
        "a formula brings its own unit",
        'the limit "one" stands twice',
        'unknown table "limits"; did you mean "limit"?',
    ):
        assert part in text, part
    assert "wrong.toml, line 6: [pack]: kind" in text
    assert refused.value.exit_code == 2


@pytest.mark.parametrize("name", ["nowhere", "nowhere.toml", "/", "IEC", "../packs/iec", "", "\x00"])
def test_no_such_pack(name: str) -> None:
    with pytest.raises(InputWrong):
        load_pack(name)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@settings(deadline=None)
@given(st.data())
def test_a_body_that_was_tampered_with_is_a_pack_or_refused(data: st.DataObject) -> None:
    body = tomllib.loads((FIXTURES / "own.toml").read_text(encoding="utf-8"))
    table = body[data.draw(st.sampled_from(sorted(body)))]
    target = data.draw(st.sampled_from(table)) if isinstance(table, list) else table
    target[data.draw(st.sampled_from(sorted(target)) | st.text(max_size=8))] = data.draw(json_values)
    try:
        pack_from_body(body)
    except RulesWrong as refused:
        assert refused.faults
