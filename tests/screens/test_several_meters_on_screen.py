"""Several meters on one screen: whose reading is whose, and which one is meant."""

from __future__ import annotations

from typing import Any

import pytest
from app_bench import AppBench, run
from screen_bench import RANGES, ScreenBench

from logger.errors import InstrumentFailed
from logger.happening import Identified, Read, Ready
from logger.quantity import Displayed, Function, Relation
from logger.reading import Identity, Reading
from tui.view import text_of

OTHER = "tcp:127.0.0.1:4001"


@pytest.fixture
def bench() -> ScreenBench:
    """Two meters, both proven, and C1 selected."""
    bench = ScreenBench()
    identity = Identity("0088", "b1", "Example Works", "PT-1", calibrated_until="2028-03-14")
    now = bench.clock.mono_ns()
    bench.take_in(Identified(OTHER, now, identity, True), Ready(OTHER, now, identity, RANGES[:2]))
    for serial in ("0417", "0088"):
        for point, value, relation in (("infinity", "1000", "gt"), ("zero", "0.00", "eq")):
            bench.step("prove", point=point, function="insulation", voltage="500", meter=serial)
            for _ in range(3):
                read(bench, serial, value, relation)
    bench.isolate()
    bench.select()
    return bench


def read(bench: ScreenBench, serial: str, value: str, relation: str = "eq") -> None:
    bench.n += 1
    reading = Reading(
        bench.n, Function.INSULATION, Displayed(value, "MOhm", Relation(relation)), range_mark="2", voltage="500"
    )
    line = OTHER if serial == "0088" else bench.desk._addresses[0]
    bench.take_in(Read(line, bench.clock.mono_ns(), serial, "b1", reading, False, 0, 0))
    bench.desk.look()


def both(bench: ScreenBench) -> None:
    read(bench, "0417", "412")
    read(bench, "0088", "1000", "gt")


def named(bench: ScreenBench) -> str | None:
    """The meter that stands in the selection."""
    selection = bench.sitting.state.selection
    assert selection is not None
    return selection.meter


def test_where_both_measure_it_nothing_is_taken_before_one_is_chosen(bench: ScreenBench) -> None:
    both(bench)
    assert bench.says("next").startswith("Say which meter is on it: 0088, 0417 all measure it.")
    bench.desk.take()
    assert "press e and say which one is on it" in bench.answer()
    assert not bench.sitting.state.current
    bench.desk.pin("0417")
    both(bench)
    assert bench.says("with_meter").startswith("TM-2 no. 0417")
    assert " · chosen" in bench.says("with_meter")
    bench.desk.take()
    (result,) = bench.sitting.state.current.values()
    assert (result.body["serial"], result.body["value"]) == ("0417", "412")


def test_the_sentence_stays_with_one_meter_and_means_what_it_shows(bench: ScreenBench) -> None:
    shown = set()
    for _ in range(3):
        for serial, value, relation in (("0417", "0.31", "eq"), ("0088", "1000", "gt")):
            read(bench, serial, value, relation)
            view = bench.look()
            shown.add((text_of(view.with_meter).split(" ·")[0], view.we_see.figure))
            assert "fails" in text_of(view.means)
    assert shown == {("TM-2 no. 0417", "0.31")}


def test_what_was_chosen_holds_for_what_is_selected_next_if_it_can_do_it(bench: ScreenBench) -> None:
    bench.look()
    bench.desk.pin("0088")
    bench.look()
    bench.desk.select("C3", "insulation", "500")
    assert named(bench) == "0088"
    bench.desk.select("C1", "earth-continuity")  # it has no such function
    assert named(bench) is None
    bench.look()
    bench.desk.pin("")
    bench.look()
    bench.desk.select("C3", "insulation", "500")
    assert named(bench) is None


def test_each_reading_in_the_log_says_whose_it_is(bench: ScreenBench) -> None:
    both(bench)
    newest = [line.text for line in bench.look().log[:2]]
    assert newest == ["0088 on C1 insulation 500 V: counts", "0417 on C1 insulation 500 V: counts"]


def test_the_key_lists_the_meters_with_what_each_reads(bench: ScreenBench) -> None:
    both(bench)

    async def play(screen: AppBench) -> None:
        await screen.press("e")
        await screen.come("Which meter is on what is tested?")
        assert "reads 412 MΩ, insulation, 500 V" in screen.text
        assert "reads >1000 MΩ, insulation, 500 V" in screen.text
        await screen.type("0088")
        await screen.press("enter")
        await screen.come("PT-1 no. 0088")
        assert screen.last_step["meter"] == "0088"
        await screen.press("e")
        await screen.come("whichever can do the test")
        await screen.type("whichever")
        await screen.press("enter")
        assert "meter" not in screen.last_step

    run(play, bench)


def test_before_anybody_is_here_there_is_none_to_choose(bench: ScreenBench) -> None:
    empty = ScreenBench(connected=False)

    async def play(screen: AppBench) -> None:
        await screen.press("e")
        assert "no meter has said who it is yet" in " ".join(screen.text.split())

    run(play, empty)


def test_one_meter_alone_is_not_asked_about() -> None:
    alone = ScreenBench()
    alone.prove()
    alone.isolate()
    alone.select()
    alone.read("412")
    facts: Any = alone.desk.facts
    assert (facts.contenders, facts.pinned) == ((), "")
    assert "counts" in alone.look().log[0].text
    assert "0417" not in alone.look().log[0].text


def test_a_line_that_fails_beside_one_that_works_is_told_once_and_stands_with_the_meters(bench: ScreenBench) -> None:
    same = InstrumentFailed("The meter on tcp:b says it is 0417, as the one on tcp:a does", "take one of the two away")
    bench.sitting.failures = (same,)
    assert bench.answer().startswith("The meter on tcp:b says it is 0417, as the one on tcp:a does: take one of the")
    bench.look()
    assert sum("as the one on" in line.text for line in bench.look().log) == 1

    async def play(screen: AppBench) -> None:
        await screen.press("m")
        await screen.come("The meters")
        assert "says it is 0417, as the one on tcp:a does" in " ".join(screen.text.split())

    run(play, bench)
