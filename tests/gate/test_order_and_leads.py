"""Order and safety: live tests wait for the dead ones; a failure asks for earlier tests again; leads come off once."""

from __future__ import annotations

from gate_bench import LINE, Bench, studio_plan

from logger.happening import Filled, Gap, Lost
from logger.job.work import asked_again, work_list
from logger.quantity import Function, Test
from logger.reading import Flag


def insulation(bench: Bench, item: str, value: str) -> None:
    bench.step("select", item=item, test="insulation", voltage="500")
    bench.read(value)
    assert bench.answer("take")["event"] == "result"


def test_a_live_test_is_refused_until_the_required_dead_ones_stand(bench: Bench) -> None:
    refused = bench.answer("select", item="C1", test="earth-loop")
    assert refused["event"] == "refused"
    assert "insulation has no result yet" in refused["why"]
    assert refused["possible"] == ["insulation"]
    bench.prove_insulation()
    insulation(bench, "C1", "0.42")
    assert "insulation has failed" in bench.answer("select", item="C1", test="earth-loop")["why"]
    insulation(bench, "C1", "412")
    assert bench.answer("select", item="C1", test="earth-loop")["event"] == "selected"
    bench.check("zero", "0.30")
    assert "in doubt" in bench.answer("select", item="C1", test="earth-loop")["why"]


def test_an_override_needs_words_and_they_are_kept(bench: Bench) -> None:
    assert bench.answer("select", item="C1", test="earth-loop", override=" ")["event"] == "refused"
    selected = bench.answer("select", item="C1", test="earth-loop", override="tested by the night shift, sheet 4")
    assert selected["override"] == "tested by the night shift, sheet 4"
    bench.prove_insulation()
    insulation(bench, "C1", "412")
    assert "override" not in bench.answer("select", item="C1", test="earth-loop", override="no need")


def test_dead_tests_wait_for_nothing(bench: Bench) -> None:
    assert bench.answer("select", item="C1", test="earth-continuity")["event"] == "selected"


def test_a_failed_test_asks_for_itself_and_the_earlier_ones_again(bench: Bench) -> None:
    bench.prove_continuity()
    bench.step("select", item="C1", test="earth-continuity")
    bench.read("0.20", Function.CONTINUITY, unit="Ohm", flags=(Flag.NULLED,))
    bench.step("take")
    assert asked_again(bench.state) == {}
    bench.step("select", item="C1", test="polarity")
    bench.step("judge", outcome="no", why="the switch stands in the neutral")
    assert set(asked_again(bench.state)) == {("C1", Test.POLARITY), ("C1", Test.EARTH_CONTINUITY)}
    bench.step("judge", outcome="yes")
    assert set(asked_again(bench.state)) == {("C1", Test.EARTH_CONTINUITY)}
    assert [(work.test, work.outcome) for work in work_list(bench.state) if work.again] == [
        (Test.EARTH_CONTINUITY, "recorded")
    ]
    bench.step("select", item="C1", test="earth-continuity")
    bench.read("0.21", Function.CONTINUITY, unit="Ohm", flags=(Flag.NULLED,))
    bench.step("take")
    assert asked_again(bench.state) == {}


def main_earth(bench: Bench, lead: str, value: str, *flags: Flag) -> dict[str, object]:
    bench.check("infinity", "20", Function.CONTINUITY, unit="Ohm", relation="gt")
    assert bench.check("zero", lead, Function.CONTINUITY, unit="Ohm", flags=flags)["outcome"] == "pass"
    bench.step("select", item="E1", test="earth-continuity")
    bench.read(value, Function.CONTINUITY, unit="Ohm", flags=flags)
    return bench.answer("take")


def test_lead_resistance_is_taken_off_once_and_said(make_bench: type[Bench]) -> None:
    result = main_earth(make_bench(studio_plan("as-nzs")), "0.30", "0.70")
    assert (result["verdict"], result["value"], result["lead_ohm"]) == ("meets", "0.70", "0.30")
    assert "0.30 Ohm of leads" in str(result["sentence"])


def test_nothing_is_taken_off_what_was_nulled_or_reads_as_nulled(make_bench: type[Bench]) -> None:
    nulled = main_earth(make_bench(studio_plan("as-nzs")), "0.02", "0.52", Flag.NULLED)
    assert (nulled["verdict"], nulled["lead_ohm"]) == ("fails", None)
    small = main_earth(make_bench(studio_plan("as-nzs")), "0.05", "0.52")
    assert (small["verdict"], small["lead_ohm"]) == ("fails", None)


def test_numbers_that_never_came_are_told_as_lost_at_the_end(bench: Bench) -> None:
    now = bench.clock.mono_ns()
    bench.recorder.take_in([Gap(LINE, now, "0417", "b1", 10, 20), Filled(LINE, now, "0417", "b1", 12, 13)])
    bench.recorder.take_in([Lost(LINE, now, "0417", "b1", 20, 20)])
    bench.events()
    bench.recorder.give_up_gaps()
    assert [(e["event"], e["first"], e["last"]) for e in bench.events()] == [("lost", 10, 11), ("lost", 14, 19)]
    bench.recorder.give_up_gaps()
    assert bench.events() == []
