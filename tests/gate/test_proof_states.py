"""The self-check: bands, the table of states, and everything that ends a proof."""

from __future__ import annotations

from typing import Any

import pytest
from gate_bench import Bench

from logger.quantity import Function
from logger.reading import Flag


def states(bench: Bench) -> dict[tuple[str, str | None], str]:
    return {(key.function.value, key.voltage): proof.state.value for key, proof in bench.state.proofs.items()}


def test_a_meter_starts_unproven_and_its_readings_are_turned_away(bench: Bench) -> None:
    bench.step("select", item="C1", test="insulation", voltage="500")
    told = bench.reading("412")
    assert told["accepted"] is False
    assert told["reasons"] == ["not-proven"]
    assert told["item"] == "C1"


def test_infinity_then_zero_prove_that_function_and_voltage_alone(bench: Bench) -> None:
    bench.prove_insulation("500")
    bench.step("select", item="C1", test="insulation", voltage="500")
    assert bench.reading("412")["accepted"] is True
    bench.step("select", item="C1", test="insulation", voltage="250")
    assert bench.reading("412", voltage="250")["reasons"] == ["not-proven"]
    bench.step("select", item="C1", test="earth-continuity")
    assert bench.reading("0.40", Function.CONTINUITY, unit="Ohm")["reasons"] == ["not-proven"]


def test_the_two_points_may_come_in_either_order(bench: Bench) -> None:
    bench.check("zero", "0.00")
    assert states(bench) == {("insulation", "500"): "half proven"}
    bench.check("infinity", "1000", relation="gt")
    assert states(bench) == {("insulation", "500"): "proven"}


@pytest.mark.parametrize(
    ("point", "value", "named", "outcome"),
    [
        ("infinity", "1000", {"relation": "gt"}, "pass"),
        ("infinity", "1000", {}, "pass"),  # at the top of the highest range
        ("infinity", "999", {}, "fail"),
        ("infinity", "20", {}, "fail"),  # the top of a range, not of the highest
        ("zero", "0.00", {}, "pass"),
        ("zero", "0.02", {}, "pass"),  # twice the lowest range's resolution
        ("zero", "0.03", {}, "fail"),
        ("zero", "20", {"unit": "kOhm"}, "pass"),
        ("zero", "0.01", {"relation": "lt"}, "pass"),
        ("zero", "0.01", {"relation": "gt"}, "fail"),
        ("zero", "0.00", {"unit": "V"}, "fail"),
        ("zero", "0.00", {"flags": (Flag.LIVE,)}, "fail"),
        ("zero", "0.00", {"flags": (Flag.BATTERY_LOW,)}, "fail"),
    ],
)
def test_bands_of_insulation(bench: Bench, point: str, value: str, named: dict[str, Any], outcome: str) -> None:
    proof = bench.check(point, value, **named)
    assert proof["outcome"] == outcome
    assert ("why" in proof) is (outcome == "fail")


@pytest.mark.parametrize(
    ("value", "flags", "outcome", "lead_ohm"),
    [
        ("0.05", (Flag.NULLED,), "pass", None),
        ("0.06", (Flag.NULLED,), "fail", None),
        ("0.06", (), "pass", "0.06"),
        ("1.00", (), "pass", "1.00"),
        ("1.01", (), "fail", None),
        ("-0.50", (), "fail", None),
    ],
)
def test_bands_of_continuity_and_the_lead_resistance(
    bench: Bench, value: str, flags: tuple[Flag, ...], outcome: str, lead_ohm: str | None
) -> None:
    proof = bench.check("zero", value, Function.CONTINUITY, unit="Ohm", flags=flags)
    assert (proof["outcome"], proof["lead_ohm"]) == (outcome, lead_ohm)


def test_of_three_the_least_is_kept_as_the_lead_resistance(bench: Bench) -> None:
    bench.step("prove", point="zero", function="continuity")
    proof = [bench.read(value, Function.CONTINUITY, unit="Ohm")[-1] for value in ("0.30", "0.10", "0.90")][-1]
    assert (proof["outcome"], proof["lead_ohm"]) == ("pass", "0.10")


def test_leads_nulled_in_the_middle_of_a_check_fail_it(bench: Bench) -> None:
    bench.step("prove", point="zero", function="continuity")
    bench.read("0.30", Function.CONTINUITY, unit="Ohm")
    bench.read("0.02", Function.CONTINUITY, unit="Ohm", flags=(Flag.NULLED,))
    proof = bench.read("0.02", Function.CONTINUITY, unit="Ohm", flags=(Flag.NULLED,))[-1]
    assert (proof["outcome"], proof["why"]) == ("fail", "the leads were nulled while they were checked")


@pytest.mark.parametrize("event", ["leads-changed", "fault", "battery-low", "new boot", "gap"])
def test_what_comes_between_the_readings_of_a_check_begins_it_anew(bench: Bench, event: str) -> None:
    bench.step("prove", point="zero", function="insulation", voltage="500")
    bench.read("0.00")
    bench.read("0.00")
    if event == "new boot":
        told = bench.connect("b2")
    elif event == "gap":
        told = bench.miss(2)
    else:
        told = bench.tell(event)
    assert event == "gap" or [each["proofs"] for each in told if each["event"] == "lapsed"] == [[]]
    assert [each["event"] for each in bench.read("0.00")] == ["reading"], "it is the first of three"
    bench.read("0.00")
    proof = bench.read("0.00")[-1]
    assert proof["event"] == "proof"
    assert proof["outcome"] == ("fail" if event == "battery-low" else "pass")
    assert len(proof["readings"]) == 3


def test_one_reading_outside_the_band_fails_the_check(bench: Bench) -> None:
    bench.step("prove", point="zero", function="insulation", voltage="500")
    assert bench.read("0.00")[-1]["event"] == "reading"
    assert bench.read("0.05")[-1]["event"] == "reading"
    assert bench.read("0.00")[-1]["outcome"] == "fail"


def test_readings_of_another_function_or_voltage_are_not_looked_at(bench: Bench) -> None:
    bench.step("prove", point="zero", function="insulation", voltage="500")
    bench.read("0.00")
    bench.read("0.00", voltage="250")
    bench.read("0.00", Function.CONTINUITY, unit="Ohm")
    bench.read("0.00", repeat=True)
    bench.read("0.00", flags=(Flag.STORED,))
    bench.read("0.00")
    assert bench.recorder.check is not None
    assert bench.read("0.00")[-1]["outcome"] == "pass"


def test_a_check_whose_readings_do_not_come_is_refused_after_fifteen_seconds(bench: Bench) -> None:
    bench.step("prove", id="p", point="zero", function="insulation", voltage="500")
    bench.read("0.00")
    assert bench.pass_time(14.9) == []
    (refused,) = bench.pass_time(0.2)
    assert (refused["event"], refused["id"], refused["outcome"]) == ("refused", "p", "refused")
    assert refused["entry"] is None
    assert bench.recorder.check is None


def test_readings_of_a_check_never_count_for_an_item(bench: Bench) -> None:
    bench.prove_insulation()
    bench.step("select", item="C1", test="insulation", voltage="500")
    bench.step("prove", point="zero", function="insulation", voltage="500")
    assert bench.reading("0.00")["reasons"] == ["no-selection"]
    assert bench.answer("take")["event"] == "refused"


@pytest.mark.parametrize("event", ["leads-changed", "fault", "battery-low"])
def test_what_the_meter_tells_ends_the_proof(bench: Bench, event: str) -> None:
    bench.prove_insulation()
    bench.step("select", item="C1", test="insulation", voltage="500")
    (lapsed,) = bench.tell(event)
    assert lapsed["event"] == "lapsed"
    assert (lapsed["function"], lapsed["voltage"]) == ("insulation", "500")
    reasons = bench.reading("412")["reasons"]
    assert "proof-lapsed" in reasons
    assert ("battery-low" in reasons) is (event == "battery-low")
    assert ("meter-fault" in reasons) is (event == "fault")


def test_a_new_boot_ends_the_proof(bench: Bench) -> None:
    bench.prove_insulation()
    assert "lapsed" in [event["event"] for event in bench.connect("b2")]
    bench.step("select", item="C1", test="insulation", voltage="500")
    assert bench.reading("412", n=1)["reasons"] == ["proof-lapsed"]


def test_another_lead_set_ends_the_proof(bench: Bench) -> None:
    bench.prove_insulation()
    assert "lapsed" in [event["event"] for event in bench.connect("b1", leads="B")]


def test_a_line_lost_for_more_than_a_minute_ends_the_proof(bench: Bench) -> None:
    bench.prove_insulation()
    assert [e["event"] for e in bench.line_back_after(60)] == ["reconnected"]
    assert [e["event"] for e in bench.line_back_after(60.001)] == ["reconnected", "lapsed"]


def test_four_hours_end_the_proof(bench: Bench) -> None:
    bench.prove_insulation()
    assert bench.pass_time(4 * 3600 - 1) == []
    (lapsed,) = bench.pass_time(1)
    assert lapsed["why"] == "four hours"


def test_another_day_ends_the_proof(bench: Bench) -> None:
    bench.clock.advance(14 * 3600)  # 23:00
    bench.prove_insulation()
    assert bench.pass_time(3599) == []
    (lapsed,) = bench.pass_time(1)
    assert lapsed["why"] == "another day"


def test_a_failed_check_ends_the_proof_and_the_way_back_is_both_points(bench: Bench) -> None:
    bench.prove_insulation()
    bench.step("select", item="C1", test="insulation", voltage="500")
    bench.check("zero", "0.30")
    assert bench.reading("412")["reasons"] == ["proof-lapsed"]
    bench.check("zero", "0.00")
    assert bench.reading("412")["reasons"] == ["proof-lapsed"]
    bench.check("infinity", "1000", relation="gt")
    assert bench.reading("412")["reasons"] == []


def test_a_low_battery_proves_nothing(bench: Bench) -> None:
    bench.tell("battery-low")
    assert bench.check("infinity", "1000", relation="gt")["outcome"] == "fail"


def test_a_battery_that_the_meter_says_suffices_proves_again(bench: Bench) -> None:
    bench.tell("battery-low")
    bench.connect("b1")  # the meter's own word: 87 percent
    assert bench.check("infinity", "1000", relation="gt")["outcome"] == "pass"


def test_a_function_without_zero_and_infinity_is_carried_by_the_resistance_function(bench: Bench) -> None:
    bench.step("select", item="C2", test="rcd-time", setting={"multiple": 1}, override="only the gate is tried")
    took = {"multiple": "1", "phase": "0", "rated": "30"}
    assert bench.reading("24", Function.RCD_TIME, unit="ms", setting=took)["reasons"] == ["not-proven"]
    bench.prove_continuity()
    assert bench.reading("24", Function.RCD_TIME, unit="ms", setting=took)["accepted"] is True


def test_or_by_a_zero_and_a_reference_of_its_own(bench: Bench) -> None:
    bench.step("select", item="C1", test="earth-loop", override="only the gate is tried")
    loop = Function.EARTH_LOOP
    assert bench.reading("0.41", loop, unit="Ohm")["reasons"] == ["not-proven"]
    bench.step("prove", point="reference", function="earth-loop", expect="0.50", unit="Ohm")
    told = [event for _ in range(3) for event in bench.read("0.51", loop, unit="Ohm")]
    assert told[-1]["outcome"] == "pass"
    assert bench.check("zero", "0.01", loop, unit="Ohm")["outcome"] == "pass"
    assert bench.reading("0.41", loop, unit="Ohm")["accepted"] is True
