"""The sentence, word by word, in the situations that matter; exact where the contract gives the words."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from textwrap import wrap

import pytest
from screen_bench import ScreenBench, studio_plan

from logger.errors import LinkFailed, LinkReason
from logger.job.model import Board, Circuit, Device, DeviceKind, Load
from logger.proof import Point
from logger.quantity import Function, Test
from logger.reading import Flag
from tui.view import Tone, Weight

# -- WITH: the proof in the contract's own words --------------------------------------------------------------------


def proof_line(bench: ScreenBench) -> str:
    return bench.says("with_meter").split("\n")[1]


def test_unproven(bench: ScreenBench) -> None:
    bench.select()
    bench.read("412")
    assert proof_line(bench).startswith("unproven: part the leads")


def test_half_proven_says_the_point_that_is_missing(bench: ScreenBench) -> None:
    bench.select()
    bench.check("infinity", "1000", relation="gt")
    assert proof_line(bench).startswith("half proven: short the leads")


def test_half_proven_the_other_way_round(bench: ScreenBench) -> None:
    bench.select()
    bench.check("zero", "0.00")
    assert proof_line(bench).startswith("half proven: part the leads")


def test_proven_with_time_voltage_figures_and_end(bench: ScreenBench) -> None:
    bench.select()
    bench.pass_time(14 * 60)
    bench.prove()
    assert proof_line(bench) == "proven 09:14, 500 V · good until 13:14 · apart >1000, joined 0.00 MΩ"


def test_proven_without_a_voltage_names_the_function(bench: ScreenBench) -> None:
    bench.select("C1", "earth-continuity")
    bench.prove_continuity()
    assert proof_line(bench).startswith("proven 09:00, continuity")


def test_lapsed_says_why(bench: ScreenBench) -> None:
    bench.select()
    bench.prove()
    bench.tell("leads-changed")
    assert proof_line(bench).startswith("lapsed: leads changed")


def test_a_proof_of_another_voltage_is_none(bench: ScreenBench) -> None:
    bench.select(voltage="250")
    bench.prove("500")
    assert proof_line(bench).startswith("unproven: part the leads · for insulation, 250 V")


def test_a_check_under_way_counts_its_readings(bench: ScreenBench) -> None:
    bench.step("prove", point="infinity", function="insulation", voltage="500")
    bench.read("1000", relation="gt")
    assert proof_line(bench).startswith("checking infinity: 1 of 3")
    assert bench.says("means") == "nothing for the job: it belongs to the self-check"
    assert bench.says("next") == "Hold the leads apart and keep still: 1 of 3 readings have come."


def test_a_function_without_zero_leans_on_continuity(bench: ScreenBench) -> None:
    bench.select("C3", "earth-loop", override="the practice bench has no dead side")
    assert bench.says("next").startswith("Turn the meter to continuity and prove it there")
    bench.read("20", Function.CONTINUITY, unit="Ohm", relation="gt")
    assert "which carries earth loop" in proof_line(bench)
    bench.prove_continuity()
    assert proof_line(bench).startswith("proven on continuity, which carries earth loop")


def test_calibration_past_its_date_is_told_heavily() -> None:
    bench = ScreenBench(connected=False)
    bench.connect(calibrated_until="2026-03-14", battery_percent=12)
    first = bench.look().with_meter[0]
    heavy = {words.text: words for words in first if words.weight is Weight.STRONG}
    assert heavy["calibration ended 14 Mar 2026"].tone is Tone.WARN
    assert "battery 12 %, low" in heavy


def test_no_meter_yet_and_a_line_that_failed() -> None:
    bench = ScreenBench(connected=False)
    assert bench.says("with_meter").startswith("no meter yet\ntrying tcp:127.0.0.1:4000")
    failure = LinkFailed("There is no port /dev/ttyUSB9", "plug it in", LinkReason.MISSING)
    bench.sitting.failures = (failure,)
    assert "There is no port /dev/ttyUSB9: plug it in." in bench.says("with_meter")
    assert bench.says("next").startswith("See to the line: it is tried again")


def test_a_lost_line_is_told_with_its_age(bench: ScreenBench) -> None:
    bench.select()
    bench.prove()
    bench.read("412")
    bench.pass_time(3)
    bench.lose_line("silent for 3 s")
    assert proof_line(bench).startswith("not heard for 0 s")
    view = bench.look()
    assert not view.we_see.counts
    assert [line[0].text for line in view.we_see.beside][:2] == ["3 s old", "line dead"]
    assert bench.says("means").startswith("does not count any more")
    bench.line_back(4)
    assert proof_line(bench).startswith("proven")


# -- ON -------------------------------------------------------------------------------------------------------------


def test_on_says_item_test_voltage_and_conductors(bench: ScreenBench) -> None:
    assert bench.says("on_test").startswith("nothing yet")
    bench.select("C3")
    assert bench.says("on_test") == "C3 Workbench lights · insulation · 500 V · line+neutral to earth"


@pytest.mark.parametrize(
    ("function", "voltage", "words"),
    [
        (Function.INSULATION, "250", "but the meter is on 250 V"),
        (Function.CONTINUITY, None, "but the meter is on continuity"),
    ],
)
def test_on_takes_over_when_the_meter_is_set_otherwise(
    bench: ScreenBench, function: Function, voltage: str | None, words: str
) -> None:
    bench.select()
    bench.read("1.00", function, unit="MOhm" if voltage else "Ohm", voltage=voltage)
    assert bench.says("on_test").split("\n")[1] == words
    assert bench.says("next").startswith("Set the meter to insulation, 500 V: it is on")


# -- WE SEE and MEANS -----------------------------------------------------------------------------------------------


def test_a_reading_that_counts(bench: ScreenBench) -> None:
    bench.isolate()
    bench.select()
    bench.prove()
    bench.read("412", flags=(Flag.STEADY,), mark="2", output="523")
    view = bench.look()
    assert (view.we_see.figure, view.we_see.unit, view.we_see.counts) == ("412", "MΩ", True)
    beside = [line[0].text for line in view.we_see.beside]
    assert beside == ["steady", "give or take 14 MΩ", "test voltage 523 V"]
    assert bench.says("means").split("\n") == [
        "meets at least 1.0 MΩ, 412 times over ✓",
        "IEC 60364-6:2016, 6.4.3.3, table 6.1: check your edition",
    ]
    assert bench.says("next") == "Leads on C1, line+neutral to earth; it is steady: take the reading."


def test_a_reading_that_fails_says_what_was_asked(bench: ScreenBench) -> None:
    bench.select()
    bench.prove()
    bench.read("0.40")
    assert bench.says("means").startswith("fails (at least 1.0 MΩ is asked), by 60 % ✗")


def test_an_over_range_below_the_limit_is_undecided(bench: ScreenBench) -> None:
    bench.select()
    bench.prove()
    bench.read("0.50", relation="gt")
    assert bench.says("means").startswith("undecided (at least 1.0 MΩ is asked): the meter cannot tell")


def test_an_unproven_reading_is_faint_and_says_so_in_the_contracts_words(bench: ScreenBench) -> None:
    bench.select()
    bench.read("412")
    assert not bench.look().we_see.counts
    assert bench.says("means").split("\n")[0] == "does not count: the meter is not proven on 500 V"


@pytest.mark.parametrize(
    ("flags", "first", "way_out"),
    [
        ((Flag.LIVE,), "does not count: an outside voltage was on the leads", "take the leads off"),
        ((Flag.BATTERY_LOW,), "does not count: the meter's battery was low", "change the battery"),
    ],
)
def test_a_reason_comes_with_its_way_out(bench: ScreenBench, flags: tuple[Flag, ...], first: str, way_out: str) -> None:
    bench.select()
    bench.prove()
    bench.read("412", flags=flags)
    lines = bench.says("means").split("\n")
    assert lines[0] == first
    assert lines[1].startswith(way_out)


def test_the_wrong_voltage_comes_before_the_missing_proof_in_means_and_next_alike(bench: ScreenBench) -> None:
    bench.select()
    bench.read("412", voltage="250")
    means = bench.says("means").split("\n")
    assert means[0] == "does not count: the test voltage was another"
    assert means[1].startswith("set the meter to the selected test voltage")
    assert bench.says("next").startswith("Set the meter to insulation, 500 V: it is on 250 V")
    bench.read("412", voltage="250", flags=(Flag.LIVE,))
    assert bench.says("means").startswith("does not count: an outside voltage")
    bench.read("412")
    assert bench.says("means").startswith("does not count: the meter is not proven on 500 V")
    assert bench.says("next").startswith("Part the leads")


def test_a_meter_on_another_function_has_that_functions_own_scale(bench: ScreenBench) -> None:
    bench.select()
    bench.read("2000", Function.CONTINUITY, unit="Ohm", relation="gt")
    scale = bench.look().we_see.scale
    assert scale is not None
    assert (scale.limits, scale.good_from, scale.good_to) == ((), None, None)
    assert [tick.label for tick in scale.ticks] == ["0", "500", "1000", "1500", "2000"]
    assert (scale.value, scale.open_above) == (1.0, True)
    bench.read("412")
    scale = bench.look().we_see.scale
    assert scale is not None
    assert [tick.label for tick in scale.limits] == ["limit 1"]


def test_an_old_reading_cannot_be_taken(bench: ScreenBench) -> None:
    bench.isolate()
    bench.select()
    bench.prove()
    bench.read("412")
    bench.pass_time(6)
    assert bench.says("means").startswith("too old to take: 6 s")
    assert bench.look().we_see.beside[0][0].text == "6 s old"
    assert bench.says("next").startswith("Put the leads on")


def test_a_reading_from_before_the_choice_means_nothing(bench: ScreenBench) -> None:
    bench.select("C1")
    bench.prove()
    bench.read("412")
    bench.select("C3")
    assert bench.says("means").startswith("nothing: it was measured before")


def test_by_eye(bench: ScreenBench) -> None:
    bench.select("C3", "polarity")
    assert bench.says("means").startswith("you judge: polarity is in order")
    assert bench.look().next_step.actions[:2] == ("yes", "no")


# -- COVERS and OPEN ------------------------------------------------------------------------------------------------


def test_covers_names_the_device_that_is_off(bench: ScreenBench) -> None:
    bench.isolate()
    bench.select("C3")
    assert bench.says("covers").startswith("all ")
    bench.step("set", device="S3", position="off")
    assert bench.says("covers").endswith(" runs · not C3 behind S3, which is off")
    bench.prove()
    bench.read("412")
    assert bench.says("next").startswith("S3 is off: change that first, or with the leads on C3,")


def test_covers_says_what_would_spoil_it(bench: ScreenBench) -> None:
    bench.select("C1")
    assert bench.says("covers").endswith("\nspoiled: link LK1 is in; the supply is connected")
    bench.step("alter", what="supply", to="off", why="proven dead")
    assert bench.says("covers").endswith("\nspoiled: link LK1 is in")
    bench.step("alter", what="LK1", to="out", why="insulation")
    assert "spoiled" not in bench.says("covers")


def test_a_link_that_explains_a_low_reading_is_named_and_taken_out_first(bench: ScreenBench) -> None:
    bench.prove()
    bench.select("C1")
    assert bench.says("next") == "With the supply off and proven dead, take link LK1 out."
    bench.read("0.30")
    assert bench.says("next") == "With the supply off and proven dead, take link LK1 out, then measure again."
    assert bench.look().next_step.actions[0] == "alter"
    bench.step("take")
    assert bench.says("means").startswith("fails")
    assert bench.says("next") == "With the supply off and proven dead, take link LK1 out, then measure again."
    bench.step("alter", what="supply", to="off", why="proven dead")
    assert bench.says("next") == "Take link LK1 out, then measure again."
    bench.step("alter", what="LK1", to="out", why="insulation")
    bench.read("412", flags=(Flag.STEADY,))
    assert bench.says("next") == "Leads on C1, line+neutral to earth; it is steady: take the reading."
    bench.step("take")
    assert bench.says("next").startswith("Go on with C3 Workbench lights, insulation")
    bench.step("restore", what="LK1")
    assert bench.says("next").startswith("Go on with C3 Workbench lights, insulation")


def test_a_dead_test_is_isolated_before_the_leads_are_put_on(bench: ScreenBench) -> None:
    bench.step("alter", what="LK1", to="out", why="insulation")
    bench.prove()
    bench.select("C1")
    assert bench.says("next") == "Isolate the supply and prove it dead, then say so."
    bench.step("alter", what="supply", to="off", why="proven dead")
    assert bench.says("next").startswith("Put the leads on C1, line+neutral to earth")


@pytest.mark.parametrize(
    ("kind", "words", "remedy"),
    [
        ("lighting", "lamps of C3 are in", "Take the lamps of C3 out, then measure again."),
        ("heating", "heating elements of C3 are in", "Disconnect the heating elements of C3, then measure again."),
        ("sockets", "appliances at C3 are in", "Unplug the appliances at C3, then measure again."),
    ],
)
def test_a_load_between_the_leads_is_named_with_what_to_do(kind: str, words: str, remedy: str) -> None:
    lights = studio_plan().circuits[1]
    bench = ScreenBench(studio_plan(circuits=(replace(lights, load=Load(kind)),)))
    bench.isolate()
    bench.prove()
    bench.select("C3", between="L/N")
    bench.read("0.00")
    assert bench.says("covers").endswith(f"spoiled: {words}")
    assert bench.says("next") == remedy


def test_all_that_spoils_is_named_as_far_as_two_rows_hold(bench: ScreenBench) -> None:
    circuits = tuple(
        Circuit(f"C{n}", "DB1", f"Bench {n}", load=Load("lighting", surge_protected=True), required=())
        for n in range(1, 9)
    )
    bench = ScreenBench(studio_plan(circuits=circuits))
    bench.select("DB1")
    line = bench.says("covers").split("\n")[1]
    assert line.startswith("spoiled: link LK1 is in; ")
    assert line.endswith(" more")
    assert len(wrap(line, 70)) <= 2


def test_a_part_that_was_turned_on_after_its_result_is_measured_again(bench: ScreenBench) -> None:
    bench.isolate()
    bench.step("set", device="S3", position="off")
    bench.prove()
    bench.select("C3")
    bench.read("412")
    bench.step("take")
    assert bench.says("next").startswith("S3 is off: change that and take the reading again")
    bench.step("set", device="S3", position="on")
    bench.read("411", flags=(Flag.STEADY,))
    assert bench.says("next") == "Leads on C3, line+neutral to earth; it is steady: take the reading."
    bench.step("take")
    bench.step("set", device="S3", position="off")
    assert bench.says("next").startswith("Go on with C1 Kiln")


def test_a_circuit_that_fails_with_others_on_it_is_measured_alone_first(bench: ScreenBench) -> None:
    bench.isolate()
    bench.prove()
    bench.select("C3")
    bench.read("0.17")
    bench.step("take")
    assert bench.says("next") == "It fails: turn the breaker of C1 off and measure again; or note it and go on."
    assert (bench.look().next_step.actions[0], bench.look().next_step.about) == ("device", "Q1")
    bench.step("set", device="Q1", position="off")
    bench.read("0.17", flags=(Flag.STEADY,))
    assert bench.says("next").endswith("take the reading.")
    bench.step("take")
    assert bench.says("next").startswith("It fails: unplug every load and measure again, then line and neutral")


def test_a_two_way_pair_is_taken_one_way_and_then_the_other() -> None:
    lights = studio_plan().circuits[1]
    pair = (Device("Q3", DeviceKind.BREAKER), Device("S3", DeviceKind.TWO_WAY), Device("S4", DeviceKind.TWO_WAY))
    bench = ScreenBench(studio_plan(circuits=(replace(lights, path=pair, required=(Test.INSULATION,)),)))
    bench.isolate()
    bench.prove()
    bench.select("C3")
    bench.read("412", flags=(Flag.STEADY,))
    assert bench.says("next").endswith("it is steady: take the reading.")
    bench.step("take")
    assert bench.says("next").startswith("S3 is 1; S4 is 1: turn one over and take the reading again")
    for device in ("S3", "S4"):
        bench.step("set", device=device, position="2")
    bench.read("411", flags=(Flag.STEADY,))
    assert bench.says("next").endswith("it is steady: take the reading.")
    bench.step("take")
    assert "S3" not in bench.says("next")


def test_open_keeps_what_must_go_back(bench: ScreenBench) -> None:
    assert bench.says("open_alterations") == "nothing is altered"
    bench.step("alter", what="LK1", to="out", why="insulation")
    assert bench.says("open_alterations") == "neutral-earth link LK1 is out since 09:00: put it back before supply"
    bench.step("alter", what="supply", to="off", why="isolated")
    assert bench.says("open_alterations").endswith("and 1 more")
    bench.step("restore", what="LK1")
    assert bench.says("open_alterations") == "the supply is off since 09:00: it comes back last of all"


# -- NEXT, over a whole job -----------------------------------------------------------------------------------------


def test_a_whole_job_is_led_from_word_to_word() -> None:
    plan = studio_plan(
        boards=(Board("DB1", required=()),),
        circuits=(Circuit("C1", "DB1", "Kiln", required=(Test.INSULATION,)),),
        earths=(),
    )
    bench = ScreenBench(plan)
    bench.step("alter", what="supply", to="off", why="proven dead")
    bench.read("900")
    assert bench.says("next").startswith("Part the leads and hold still, then check infinity")
    bench.check("infinity", "1000", relation="gt")
    assert bench.says("next").startswith("Join the leads")
    bench.check("zero", "0.00")
    assert bench.says("next") == "Go on with C1 Kiln, insulation."
    bench.select(confirmed=False)
    assert bench.says("next").startswith("Caution: This puts up to")
    assert bench.look().next_step.actions[0] == "understood"
    bench.step("confirm", caution="insulation")
    assert bench.says("next") == "Put the leads on C1, line+neutral to earth and start the meter's measurement."
    bench.read("412", flags=(Flag.STEADY,))
    assert bench.says("next") == "Leads on C1, line+neutral to earth; it is steady: take the reading."
    bench.step("take")
    assert bench.answer().startswith("Result C1 insulation 500 V: 412 MΩ: meets")
    assert bench.says("next").startswith("Part the leads for the closing check on insulation, 500 V: 1 result waits")
    bench.check("infinity", "1000", relation="gt")
    assert bench.says("next").startswith("Join the leads for the closing check")
    bench.check("zero", "0.00")
    assert bench.says("next").startswith("Put back what was altered: the supply")
    bench.step("restore", what="supply")
    assert bench.says("next").startswith("Everything required has its result: finish")
    bench.step("close")
    assert bench.says("next").startswith("The logbook is closed")


def test_a_loop_meter_is_led_back_to_its_reference() -> None:
    plan = studio_plan(
        boards=(Board("DB1", required=()),), circuits=(Circuit("C1", "DB1", "Kiln", required=()),), earths=()
    )
    bench = ScreenBench(plan)

    def read(*values: str) -> None:
        for value in values:
            bench.read(value, Function.EARTH_LOOP, unit="Ohm")

    read("0.50")
    bench.select("C1", "earth-loop", override="the practice bench has no dead side")
    bench.step("prove", point="reference", function="earth-loop", expect="0.50", unit="Ohm")
    read("0.50", "0.50", "0.50")
    bench.check("zero", "0.01", Function.EARTH_LOOP, unit="Ohm")
    read("0.41")
    bench.step("take")
    assert bench.says("next").startswith("Put the leads on the reference that the meter was proven with")
    assert bench.look().next_step.actions[0] == "known"
    bench.desk.prove(Point.REFERENCE, {"expect": "0.50", "unit": "Ohm"})
    read("0.49", "0.49", "0.49")
    assert bench.says("next").startswith("Join the leads for the closing check on earth loop")
    bench.desk.prove(Point.ZERO)
    read("0.00", "0.00", "0.00")
    assert bench.says("next").startswith("Everything required has its result")


def test_a_closing_check_that_fails_sends_back_to_the_work() -> None:
    bench = ScreenBench()
    bench.isolate()
    bench.select()
    bench.prove()
    bench.read("412")
    bench.step("take")
    bench.check("zero", "0.90")
    lines = {(line.item, line.test): line for line in bench.look().work}
    assert lines[("C1", "insulation")].outcome == "in doubt"
    assert lines[("C1", "insulation")].sign == "!"


def test_every_outcome_has_a_word_and_a_sign_of_its_own(bench: ScreenBench) -> None:
    bench.isolate()
    bench.prove()
    bench.select("C1")
    bench.read("412")
    bench.step("take")
    bench.select("C3")
    bench.read("0.20")
    bench.step("take")
    bench.step("skip", item="C3", test="polarity", why="no access")
    view = bench.look()
    told = {line.outcome: line.sign for line in view.work if line.test}
    assert told == {"meets": "✓", "fails": "✗", "skipped": "–"}
    assert view.work_done == "3 of 3 tests have their outcome"


def test_refusals_stand_at_next_for_a_while(bench: ScreenBench) -> None:
    bench.step("take")
    assert bench.answer().startswith("Refused: nothing is selected")
    bench.pass_time(9)
    assert bench.answer() == ""


def test_the_newest_log_lines_tell_reasons_in_short(bench: ScreenBench) -> None:
    bench.select()
    bench.read("380")
    bench.read("381")
    line = bench.look().log[0]
    assert (line.text, line.extra, line.tail) == ("C1 insulation: turned away: not proven", " (2 readings)", "381 MΩ")


def test_keyed_meter_is_asked_to_be_keyed() -> None:
    bench = ScreenBench(connected=False, addresses=())
    bench.select()
    assert bench.says("next").startswith("Key in what your meter shows")
    bench.step("key", value="0.5", unit="MOhm")
    assert "keyed by hand" in [line[0].text for line in bench.look().we_see.beside]


def test_a_drop_of_the_clock_never_breaks_the_view(bench: ScreenBench) -> None:
    bench.prove()
    bench.clock.jump_wall(-86400 * 400)
    bench.select()
    bench.read("1.00")
    assert bench.look().time


def test_a_range_without_accuracy_leaves_it_out(bench: ScreenBench) -> None:
    bench.select("C3", "rcd-time", override="the practice bench has no dead side")
    bench.prove_continuity()
    bench.read("24", Function.RCD_TIME, unit="ms")
    assert not any("give or take" in line[0].text for line in bench.look().we_see.beside)
    assert bench.look().we_see.scale is not None
    assert Decimal(bench.look().we_see.figure) == 24
