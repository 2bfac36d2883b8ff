"""Steps and hunt in the app: one at a time, only what was confirmed, bounds that end in a name."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from app_bench import AppBench, run
from screen_bench import ScreenBench, studio_plan

from drivers import address
from logger.clock import SystemClock
from logger.job.history import History, history
from logger.job.hunt_log import hunt_in
from logger.job.plan import plan_body
from logger.job.steps import least_steps
from logger.job.steps_walk import never_on
from logger.logbook.entries import Entry, Kind, body_text, leaf_hash
from logger.logbook.writer import Logbook
from logger.quantity import Test
from logger.rules.pack import load_pack
from tui.cli.installation import read_history
from tui.guide import advise
from tui.opening import open_logbook
from tui.pump import Pump
from tui.screens.page import Page
from tui.screens.stride import Stride
from tui.screens.work import Work
from tui.sentence.standing_now import set_up_now
from tui.sentence.walk_words import hunt_lines, stride_heading, stride_lines
from tui.situation import Situation
from tui.view import text_of
from tui.walk import Walk


def past_of(bench: ScreenBench) -> History:
    """What a reader of the logbook would find in it."""
    entries = []
    for number, at, kind, body in bench.log.entries:
        text = body_text(body)
        entries.append(Entry(number, at, kind, text, leaf_hash(number, at, kind, text)))
    return history(entries)


@pytest.fixture
def logged(bench: ScreenBench, monkeypatch: pytest.MonkeyPatch) -> ScreenBench:
    """A bench whose log in memory is what the app reads for a history."""

    def read(_path: Path) -> History:
        return past_of(bench)

    monkeypatch.setattr("tui.screens.walking.read_history", read)
    return bench


def walk_of(bench: ScreenBench) -> Walk:
    past = past_of(bench)
    found = least_steps(past.network, past.setup, Test.INSULATION)
    return Walk("least_work", "insulation", past.network, past.setup, never_on(found.steps))


def read_whole(bench: ScreenBench, value: str) -> None:
    """A reading of the whole board, taken."""
    bench.select("DB1")
    bench.read(value)
    bench.step("take")
    bench.look()


# -- the walk as a value ----------------------------------------------------------------------------------------------


def test_a_walk_stands_where_its_steps_lead(bench: ScreenBench) -> None:
    walk = walk_of(bench)
    first = walk.step
    assert first is not None
    assert (first.do, first.fields["device"]) == ("set", "supply")
    bench.look()
    assert bench.desk.facts is not None
    assert walk.stands(set_up_now(walk.network, bench.desk.facts))
    assert not walk.onward().stands(set_up_now(walk.network, bench.desk.facts))
    bench.step(first.do, **first.fields)
    bench.look()
    assert walk.onward().stands(set_up_now(walk.network, bench.desk.facts))
    bench.step("set", device="S3", position="off")
    bench.look()
    assert not walk.onward().stands(set_up_now(walk.network, bench.desk.facts))


def test_nobody_is_told_to_energise(bench: ScreenBench) -> None:
    past = past_of(bench)
    steps = least_steps(past.network, past.setup, Test.INSULATION).steps
    assert [step.fields["position"] for step in steps if step.fields.get("device") == "supply"] == ["off", "on"]
    assert [step for step in steps if step not in never_on(steps)] == [steps[-1]]


def test_a_walk_that_begins_isolated_ends_isolated(bench: ScreenBench) -> None:
    bench.isolate()
    past = past_of(bench)
    steps = least_steps(past.network, past.setup, Test.INSULATION).steps
    left = never_on(steps)
    assert any(step.fields.get("what") == "supply" for step in steps)
    assert [step for step in steps if step not in left] == [s for s in steps if s.fields.get("what") == "supply"]
    assert any(step.fields.get("what") == "LK1" for step in left)


def test_a_reading_is_done_when_its_result_has_come_and_not_before(bench: ScreenBench) -> None:
    walk = walk_of(bench)
    place = next(n for n, step in enumerate(walk.steps) if step.do == "take")
    bench.isolate()
    bench.prove()
    read_whole(bench, "412")
    results = bench.sitting.state.results
    assert replace(walk, place=place).has_result(results)
    assert not replace(walk, place=place, since=results[-1].entry).has_result(results)
    assert not walk.has_result(results)


def test_choosing_and_reading_are_one_step_to_a_person(bench: ScreenBench) -> None:
    walk = walk_of(bench)
    takes = sum(step.do == "take" for step in walk.steps)
    assert stride_heading(walk).startswith(f"Step 1 of {len(walk.steps) - takes}.")
    place = next(n for n, step in enumerate(walk.steps) if step.do == "select")
    text = text_of(stride_lines(replace(walk, place=place)))
    assert text.startswith("READ at DB1 between L+N/PE: ")
    assert "its result" not in text
    assert "Its result is not in the log yet" in text_of(stride_lines(replace(walk, place=place + 1)))


# -- in the app -------------------------------------------------------------------------------------------------------


def test_only_what_is_confirmed_is_handed_over(logged: ScreenBench) -> None:
    logged.prove()

    async def play(screen: AppBench) -> None:
        before = len(logged.sitting.steps)
        await screen.press("g")
        await screen.come("Step 1 of ")
        assert "Set supply to off" in screen.text
        await screen.press("q")
        assert isinstance(screen.app.screen, Work)
        assert len(logged.sitting.steps) == before
        await screen.press("g")
        await screen.come("Step 1 of ")
        await screen.press("enter")
        await screen.come("Step 2 of ")
        assert [dict(step)["do"] for step in logged.sitting.steps[before:]] == ["set"]

    run(play, logged)


def test_the_walk_leads_through_the_reading_and_back(logged: ScreenBench) -> None:
    logged.prove()

    async def play(screen: AppBench) -> None:
        await screen.press("g")
        while True:
            await screen.come("Step ")
            if "READ at" in screen.text.split("then")[0]:
                break
            await screen.press("enter")
        await screen.press("enter")
        assert isinstance(screen.app.screen, Work)
        assert screen.last_step == {"do": "select", "item": "DB1", "test": "insulation", "between": "L+N/PE"}
        await screen.press("g")
        await screen.come("Its result is not in the log yet")
        await screen.press("q")
        logged.step("confirm", caution="insulation")
        logged.read("412")
        await screen.press("enter")
        assert screen.last_step == {"do": "take"}
        await screen.come("Go on: put back: LK1")
        for _ in range(20):
            await screen.press("enter" if "leave it here" in screen.text else "g")
            if "That was all of it." in screen.text:
                break
        assert logged.sitting.state.alterations == {}
        await screen.press("enter")
        await screen.press("g")
        await screen.come("Everything that can be reached is covered.")

    run(play, logged)


def test_a_failing_whole_asks_for_the_hunt_and_the_hunt_names_the_circuit(logged: ScreenBench) -> None:
    logged.isolate()
    logged.prove()
    read_whole(logged, "0.20")
    assert logged.says("next") == "The whole fails: find which circuit it is."
    assert logged.look().next_step.actions[0] == "hunt"

    async def play(screen: AppBench) -> None:
        for _ in range(12):
            await screen.press("h")
            await screen.come("Which circuit is it?")
            if isinstance(screen.app.screen, Page):
                break
            await screen.press("enter")
            while isinstance(screen.app.screen, Stride):
                await screen.press("enter")
            is_in = logged.sitting.state.positions.get("Q3", "on") == "on"
            logged.read("0.20" if is_in else "400")
            logged.step("take")
        assert "Found below 1.00 MΩ: C3" in screen.text
        assert "C1                   sound" in screen.text

    run(play, logged)


def test_without_a_failure_there_is_nothing_to_hunt(logged: ScreenBench) -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("h")
        await screen.come("No insulation of a whole board was taken here")

    run(play, logged)


def test_the_bounds_of_every_part_are_told(bench: ScreenBench) -> None:
    bench.isolate()
    bench.prove()
    read_whole(bench, "0.20")
    past = past_of(bench)
    finding = hunt_in(past).finding
    text = text_of(hunt_lines(finding, past.setup))
    assert text.startswith("Next: read with ")
    for part in finding.parts:
        assert part.id in text
    assert "open   at least 0.1" in text
    walk = Walk("hunt", "", past.network, past.setup, finding.next_steps)
    reading = next(n for n, step in enumerate(walk.steps) if step.do == "select")
    assert text_of(stride_lines(replace(walk, place=reading))) == "READ at DB1 between L+N/PE.\n"


def test_on_a_real_logbook_the_step_is_in_the_file_before_the_next_one_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    path = tmp_path / "kiln.zerofirst"
    pack = load_pack("iec")
    first = [
        (Kind.JOB, {"plan": plan_body(studio_plan()), "title": "Kiln shed rewire", "kind": "installation"}),
        (Kind.RULES, {"name": pack.id, "pack": pack.body}),
    ]
    Logbook.create(path, first, SystemClock(), None).close()
    sat_down = open_logbook(path, [address.parse("keyed:?serial=0417&model=Dial")], SystemClock(), Pump())

    async def play(screen: AppBench) -> None:
        await screen.come("Kiln shed rewire")
        await screen.press("g")
        await screen.come("Step 1 of ")
        await screen.press("enter")
        await screen.come("Step 2 of ")
        await screen.press("q")
        await screen.come("supply is off")
        assert read_history(path).setup.positions["supply"] == "off"

    try:
        run(play, opened=sat_down)
    finally:
        assert sat_down.session is not None
        sat_down.session.stop()
        assert sat_down.session.wait(10.0) is not None


def test_a_walk_that_is_left_says_its_next_step_and_hides_nothing(logged: ScreenBench) -> None:
    logged.isolate()
    logged.step("set", device="S3", position="off")
    logged.prove()
    logged.select("C3")
    logged.read("412")
    logged.step("take")

    async def play(screen: AppBench) -> None:
        assert "S3 is off: change that and take the reading again" in " ".join(screen.text.split())
        await screen.press("g")
        await screen.come("Step 1 of ")
        await screen.press("escape")
        shown = " ".join(screen.text.split())
        assert "S3 is off. Go on: alter: L+N at DB1, joined" in shown
        assert "[g] next step" in shown
        await screen.press("d", "enter", "enter")
        assert screen.last_step == {"do": "set", "device": "S3", "position": "on"}
        assert "Go on: alter" not in screen.text  # the walk no longer fits the installation

    run(play, logged)


# -- what NEXT says ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changed", "sentence", "first"),
    [
        ({"result": "fails", "whole": True}, "The whole fails: find which circuit", "hunt"),
        ({"result": "fails", "whole": True, "walk": "least_work"}, "The whole fails: find which circuit", "hunt"),
        ({"result": "fails", "whole": True, "walk": "hunt"}, "Go on: see what that reading says", "hunt"),
        ({"result": "meets", "walk": "hunt", "off": ("Q1 is off",)}, "Q1 is off. Go on: see what that", "hunt"),
        (
            {"result": "meets", "walk": "hunt", "walk_step": "Set Q1 to on.", "walk_reading": True, "off": ("Q1 is",)},
            "Go on: set Q1 to on.",
            "hunt",
        ),
        ({"result": "fails"}, "It fails: find out why", "choose"),
        (
            {"takeable": True, "walk": "hunt", "walk_reading": True, "off": ("Q1 is off",)},
            "Leads on DB1, line to earth; when it is steady, take",
            "take",
        ),
        ({"takeable": True, "walk": "hunt", "off": ("Q1 is off",)}, "Q1 is off: change that first", "device"),
        ({"takeable": True, "off": ("Q1 is off",)}, "Q1 is off: change that first", "device"),
    ],
)
def test_next_leads_on(changed: dict[str, object], sentence: str, first: str) -> None:
    advice = advise(replace(Situation(selected="DB1 insulation", leads_on="DB1, line to earth"), **changed))  # type: ignore[arg-type]
    assert advice.sentence.startswith(sentence)
    assert advice.actions[0] == first
