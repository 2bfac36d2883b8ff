"""Selections, results, brackets, doubt, alterations and the close."""

from __future__ import annotations

from typing import Any

import pytest
from gate_bench import Bench, studio_plan

from logger.quantity import Function
from logger.reading import Flag


def take(bench: Bench, item: str, value: str, **named: Any) -> dict[str, object]:
    bench.step("select", item=item, test="insulation", voltage="500")
    bench.read(value, **named)
    return bench.answer("take")


def test_a_result_names_its_reading_rule_limit_and_self_checks(bench: Bench) -> None:
    bench.prove_insulation()
    result = take(bench, "C1", "412")
    assert result["event"] == "result"
    assert (result["verdict"], result["value"], result["unit"], result["relation"]) == ("meets", "412", "MOhm", "eq")
    assert float(str(result["limit"])) == 1.0
    assert result["rule"]
    kind = {number: kind for number, _, kind, _ in bench.log.entries}
    assert kind[result["reading"]] == "reading"  # type: ignore[index]
    assert [kind[n] for n in result["self_checks"]] == ["self-check", "self-check"]  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("value", "named", "verdict"),
    [
        ("0.42", {}, "fails"),
        ("1.00", {}, "meets"),
        ("1000", {"relation": "gt"}, "meets"),
        ("0.5", {"relation": "gt"}, "undecided"),
        ("0.01", {"relation": "lt"}, "fails"),
    ],
)
def test_verdicts_with_over_and_under_range(bench: Bench, value: str, named: dict[str, str], verdict: str) -> None:
    bench.prove_insulation()
    assert take(bench, "C1", value, **named)["verdict"] == verdict


@pytest.mark.parametrize(("value", "verdict"), [("0.47", "meets"), ("0.52", "fails")])
def test_the_main_earth_by_as_nzs(make_bench: type[Bench], value: str, verdict: str) -> None:
    bench = make_bench(studio_plan("as-nzs"))
    bench.prove_continuity()
    bench.step("select", item="E1", test="earth-continuity")
    bench.read(value, Function.CONTINUITY, unit="Ohm", flags=(Flag.NULLED,))
    assert bench.answer("take")["verdict"] == verdict


def test_take_without_an_accepted_reading_is_refused(bench: Bench) -> None:
    assert bench.answer("take")["event"] == "refused"
    bench.prove_insulation()
    bench.step("select", item="C1", test="insulation", voltage="500")
    assert bench.answer("take")["event"] == "refused"
    bench.read("412", voltage="250")
    assert bench.answer("take")["event"] == "refused"


def test_a_reading_older_than_five_seconds_is_not_taken(bench: Bench) -> None:
    bench.prove_insulation()
    bench.step("select", item="C1", test="insulation", voltage="500")
    bench.read("412")
    bench.clock.advance(5.1)
    assert bench.answer("take")["event"] == "refused"


def test_one_reading_is_taken_once(bench: Bench) -> None:
    bench.prove_insulation()
    assert take(bench, "C1", "412")["event"] == "result"
    assert bench.answer("take")["event"] == "refused"


def test_a_new_selection_forgets_the_reading_before_it(bench: Bench) -> None:
    bench.prove_insulation()
    bench.step("select", item="C1", test="insulation", voltage="500")
    bench.read("412")
    bench.step("select", item="C2", test="insulation", voltage="500")
    assert bench.answer("take")["event"] == "refused"


def test_a_reading_that_comes_late_belongs_to_no_later_selection(bench: Bench) -> None:
    bench.prove_insulation()
    bench.step("select", item="C1", test="insulation", voltage="500")
    bench.read("412")
    bench.step("select", item="C2", test="insulation", voltage="500")
    late = bench.reading("3", flags=(Flag.STORED,))
    assert (late["item"], late["reasons"]) == (None, ["no-selection"])


def test_what_fills_a_gap_belongs_to_no_selection_that_began_within_the_gap(bench: Bench) -> None:
    bench.prove_insulation()
    bench.step("select", item="C1", test="insulation", voltage="500")
    first = bench.reading("412")["n"]
    bench.step("select", item="C2", test="insulation", voltage="500")
    newest = bench.reading("3.3", n=first + 10)  # live, and C2's; those between may be of either
    assert newest["item"] == "C2"
    for n in range(first + 1, first + 10):
        late = bench.reading("412", n=n)
        assert (late["item"], late["reasons"]) == (None, ["no-selection"])
    bench.reading("3.4", n=first + 13)
    filled = bench.reading("3.5", n=first + 12)  # C2 stood on both sides of it
    assert (filled["item"], filled["accepted"]) == ("C2", True)


def test_a_change_of_leads_told_late_puts_what_was_measured_since_in_doubt(bench: Bench) -> None:
    bench.prove_insulation()
    before = take(bench, "C1", "412")
    missing = bench.n = bench.n + 1
    after = take(bench, "C2", "380")
    bench.read("381")
    (lapsed,) = bench.tell("leads-changed", n=missing)
    assert (lapsed["event"], lapsed["why"], lapsed["doubts"]) == ("lapsed", "leads changed", [after["entry"]])
    assert bench.answer("take")["event"] == "refused", "what came after it is not to be taken"
    bench.prove_insulation()
    doubted = {line["item"]: line["why"] for line in bench.answer("close")["unfinished"]}
    assert doubted == {"C2": f"is in doubt since entry {lapsed['entry']}: take it again"}
    assert before["entry"] != after["entry"]
    take(bench, "C2", "380")
    bench.prove_insulation()
    assert bench.answer("close")["event"] == "closed"


def test_unknown_item_test_voltage_conductors_are_refused_with_what_is_possible(bench: Bench) -> None:
    unknown_item = bench.answer("select", item="C9", test="insulation")
    assert unknown_item["event"] == "refused"
    assert "C1" in unknown_item["possible"]
    assert "insulation" in bench.answer("select", item="C1", test="taste")["possible"]
    assert "500" in bench.answer("select", item="C1", test="insulation", voltage="400")["possible"]
    assert bench.answer("select", item="C1", test="insulation", between="L to earth")["event"] == "refused"
    assert bench.state.selection is None


def test_a_board_can_be_selected(bench: Bench) -> None:
    bench.prove_insulation()
    assert take(bench, "DB1", "3.4")["event"] == "result"


def test_closing_needs_every_required_result_bracketed(bench: Bench) -> None:
    bench.prove_insulation()
    take(bench, "C1", "412")
    refused = bench.answer("close")
    assert refused["event"] == "refused"
    assert {line["item"] for line in refused["unfinished"]} == {"C1", "C2"}
    bench.step("skip", item="C2", test="insulation", why="out of order until the new wheel comes")
    assert [line["item"] for line in bench.answer("close")["unfinished"]] == ["C1"]
    bench.check("infinity", "1000", relation="gt")
    assert bench.answer("close")["event"] == "refused"
    bench.check("zero", "0.00")
    assert bench.answer("close")["event"] == "closed"
    assert bench.answer("note", text="too late")["event"] == "refused"


def test_a_failed_closing_check_puts_results_in_doubt_until_taken_again(bench: Bench) -> None:
    bench.prove_insulation()
    take(bench, "C1", "412")
    take(bench, "C2", "380")
    bench.check("zero", "0.30")
    bench.prove_insulation()
    doubted = bench.answer("close")["unfinished"]
    assert [(line["item"], "in doubt" in line["why"]) for line in doubted] == [("C1", True), ("C2", True)]
    take(bench, "C1", "411")
    take(bench, "C2", "379")
    bench.prove_insulation()
    assert bench.answer("close")["event"] == "closed"


def test_a_reason_for_leaving_a_test_out_lifts_no_doubt(bench: Bench) -> None:
    bench.prove_insulation()
    take(bench, "C1", "412")
    bench.check("zero", "0.30")
    bench.step("skip", item="C2", test="insulation", why="next week")
    bench.step("skip", item="C1", test="insulation", why="gone")
    assert [line["item"] for line in bench.answer("close")["unfinished"]] == ["C1"]


def test_what_was_bracketed_before_is_not_put_in_doubt(bench: Bench) -> None:
    bench.prove_insulation()
    take(bench, "C1", "412")
    bench.prove_insulation()
    take(bench, "C2", "380")
    bench.check("zero", "0.30")
    in_doubt = {r.item: r.in_doubt is not None for r in bench.state.current.values()}
    assert in_doubt == {"C1": False, "C2": True}


def test_an_alteration_must_be_restored_before_closing(bench: Bench) -> None:
    for item in ("C1", "C2"):
        bench.step("skip", item=item, test="insulation", why="next week")
    assert bench.answer("alter", what="LK1", to="out", why="to test neutral to earth")["event"] == "altered"
    assert bench.state.positions["LK1"] == "out"
    (left,) = bench.answer("close")["unfinished"]
    assert left["what"] == "LK1"
    assert bench.answer("restore", what="Q0")["event"] == "refused"
    assert bench.answer("restore", what="LK1")["event"] == "restored"
    assert bench.state.positions["LK1"] == "in"
    assert bench.answer("close")["event"] == "closed"


def test_a_person_judges_what_no_meter_reads(bench: Bench) -> None:
    bench.step("select", item="C1", test="polarity")
    assert bench.answer("judge", outcome="yes")["verdict"] == "meets"
    assert bench.answer("judge", outcome="no")["event"] == "refused"
    assert bench.answer("judge", outcome="no", why="line and neutral swapped at the outlet")["verdict"] == "fails"
    bench.step("select", item="C1", test="insulation")
    assert bench.answer("judge", outcome="yes")["event"] == "refused"


def test_keyed_readings_pass_the_same_gate(bench: Bench) -> None:
    bench.step("select", item="C1", test="insulation", voltage="500")
    keyed = bench.answer("key", value="412", unit="MOhm")
    assert (keyed["event"], keyed["origin"], keyed["reasons"]) == ("reading", "keyed", ["not-proven"])
    for point, value in (("infinity", "inf"), ("zero", "0.00")):
        bench.step("prove", point=point, function="insulation", voltage="500", meter="keyed")
        told = [e for _ in range(3) for e in bench.step("key", value=value, unit="megohm")]
        assert told[-1]["outcome"] == "pass"
    keyed = bench.answer("key", value="inf", unit="MΩ")
    assert (keyed["accepted"], keyed["relation"], keyed["unit"]) == (True, "gt", "MOhm")
    result = bench.answer("take")
    assert (result["verdict"], result["origin"]) == ("meets", "keyed")


@pytest.mark.parametrize(
    "fields",
    [
        {"value": "4,12", "unit": "MOhm"},
        {"value": "1e9", "unit": "MOhm"},
        {"value": "412", "unit": "parsec"},
        {"value": "412"},
        {"unit": "MOhm"},
    ],
)
def test_what_cannot_be_a_reading_is_refused(bench: Bench, fields: dict[str, str]) -> None:
    bench.step("select", item="C1", test="insulation", voltage="500")
    before = len(bench.log.entries)
    assert bench.answer("key", **fields)["event"] == "refused"
    assert len(bench.log.entries) == before


def test_steps_that_are_none_change_nothing(bench: Bench) -> None:
    before = len(bench.log.entries)
    for step in ({}, {"do": 5}, {"do": "energise"}, {"do": "select"}, {"do": "note", "text": 7}, {"do": "note"}):
        bench.recorder.do(step)
    assert {event["event"] for event in bench.events()} == {"refused"}
    assert len(bench.log.entries) == before


def test_a_caution_is_told_once_for_each_test_that_needs_it(bench: Bench) -> None:
    first = bench.step("select", item="C1", test="insulation", voltage="500")
    again = bench.step("select", item="C2", test="insulation", voltage="500")
    assert [event["event"] for event in first] == ["caution", "selected"]
    assert [event["event"] for event in again] == ["selected"]
