"""The app: keys and clicks become steps, looks become rows, and nothing is cut where there is little room."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from app_bench import AppBench, FakeLine, run
from blockbuster import blockbuster_ctx
from screen_bench import ScreenBench, studio_plan
from textual.widgets import Input, OptionList

from logger.clock import ManualClock
from logger.job.plan import plan_body
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.writer import Logbook
from logger.proof import Point
from logger.quantity import Function
from logger.reading import Flag
from logger.rules.pack import load_pack
from logger.rules.reckoning.catalogue import FORMULAS
from tui.actions import ACTIONS, Scope, as_markdown
from tui.messages import Looked, Wanted
from tui.screens.ask import Ask, Sure
from tui.screens.choose import Choose
from tui.screens.deeds import DEEDS
from tui.screens.log import Log
from tui.screens.page import Page
from tui.screens.work import Work
from tui.themes import BRIGHT, DARK
from tui.widgets.hints import Hint

MARGIN = ("WITH", "ON", "WE SEE", "MEANS", "COVERS", "OPEN", "NEXT")


def measured(**plan: object) -> ScreenBench:
    """Proven, chosen, confirmed, and a reading on the leads."""
    bench = ScreenBench(studio_plan(**plan))
    bench.isolate()
    bench.prove()
    bench.select("C3")
    bench.read("412", flags=(Flag.STEADY,), mark="2", output="523")
    return bench


# -- the sentence on the screen ---------------------------------------------------------------------------------------


def test_the_margin_reads_as_one_sentence_from_top_to_bottom() -> None:
    async def play(screen: AppBench) -> None:
        rows = [screen.row_of(word) for word in MARGIN]
        assert rows == sorted(rows)
        assert len(screen.rows) == 24
        assert all(len(row) == 80 for row in screen.rows)

    run(play, measured())


def test_everything_stands_complete_at_80_by_24() -> None:
    async def play(screen: AppBench) -> None:
        text = screen.text
        for words in (
            "Kiln shed rewire",
            "TM-2 no. 0417 · battery 87 % · calibrated until 14 Mar 2028",
            "proven 09:00, 500 V · good until 13:00 · apart >1000, joined 0.00 MΩ",
            "C3 Workbench lights · insulation · 500 V · line+neutral to earth",
            "steady",
            "give or take 14 MΩ",
            "test voltage 523 V",
            "limit 1",
            "1000 MΩ ∞",
            "meets at least 1.0 MΩ, 412 times over ✓",
            "IEC 60364-6:2016, 6.4.3.3, table 6.1: check your edition",
            "all ",
            "neutral-earth link LK1 is out since 09:00",
            "Leads on C3, line+neutral to earth; it is steady: take the reading.",
            "[Enter] take",
            "[/] everything",
        ):
            assert words in text, words
        assert "…" not in text.split("NEXT")[0]

    run(play, measured())


@pytest.mark.parametrize("with_hands", [False, True])
def test_a_standing_caution_is_never_cut(with_hands: bool) -> None:
    bench = unconfirmed()
    bench.step("set", device="Q1", position="off")
    bench.step("note", text="so that an answer stands there too")

    async def play(screen: AppBench) -> None:
        flat = " ".join(" ".join(row[9:] for row in screen.rows).split())
        caution = bench.sitting.state.pack.caution_for("insulation") if bench.sitting.state.pack else ""  # type: ignore[arg-type]
        assert caution
        assert f"Caution: {caution}" in flat
        assert "[u] read and done" in screen.text

    run(play, bench, simulator=FakeLine() if with_hands else None)


def test_a_larger_terminal_adds_the_work_list_and_moves_no_word() -> None:
    small: list[int] = []

    async def first(screen: AppBench) -> None:
        small.extend(screen.row_of(word) for word in MARGIN)
        assert "tests have their outcome" not in screen.text

    async def second(screen: AppBench) -> None:
        assert [screen.row_of(word) for word in MARGIN] == small
        assert "0 of 3 tests have their outcome" in screen.text
        row = next(row for row in screen.rows if "> insulation" in row)
        assert row.index("> insulation") > 80
        assert "to do" in row

    run(first, measured(), size=(80, 24))
    run(second, measured(), size=(120, 24))


def test_a_tall_terminal_draws_the_figure_twice_its_size() -> None:
    async def play(screen: AppBench) -> None:
        see, means = screen.row_of("WE SEE"), screen.row_of("MEANS")
        assert means - see == 11

    run(play, measured(), size=(120, 44))


def test_resizing_keeps_the_sentence() -> None:
    async def play(screen: AppBench) -> None:
        for width, height in ((120, 40), (80, 24), (200, 60), (80, 24)):
            await screen.pilot.resize_terminal(width, height)
            await screen.look()
            assert [screen.row_of(word) for word in MARGIN] == sorted(screen.row_of(word) for word in MARGIN)
            assert "[Enter] take" in screen.text

    run(play, measured())


def test_a_figure_that_does_not_count_is_struck_through() -> None:
    bench = ScreenBench()
    bench.select()
    bench.read("412")

    async def play(screen: AppBench) -> None:
        see = screen.row_of("WE SEE")
        assert "██──██" in screen.rows[see + 2] or "─██" in screen.rows[see + 2]
        assert "does not count: the meter is not proven on 500 V" in screen.text

    run(play, bench)


def test_without_colour_everything_is_still_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")

    async def play(screen: AppBench) -> None:
        assert screen.app.no_color
        assert "meets at least 1.0 MΩ, 412 times over ✓" in screen.text

    run(play, measured())


# -- keys become steps ------------------------------------------------------------------------------------------------


def test_every_action_has_its_deed_and_every_deed_its_action() -> None:
    assert set(DEEDS) == {action.name for action in ACTIONS}


def test_no_key_means_two_things() -> None:
    keys = [key for action in ACTIONS for key in action.keys]
    assert len(keys) == len(set(keys))


def test_keys_are_plain_ones_that_every_terminal_passes_on() -> None:
    plain = set("abcdefghijklmnopqrstuvwxyz0123456789") | {
        "enter",
        "slash",
        "question_mark",
        "f1",
        "ctrl+p",
        "ctrl+q",
        "ctrl+c",
    }
    assert {key for action in ACTIONS for key in action.keys} <= plain


def test_the_readmes_table_has_every_action_once() -> None:
    rows = as_markdown().split("\n")[2:]
    assert len(rows) == len(ACTIONS)
    assert len(set(rows)) == len(rows)


def test_digits_are_the_hands_and_letters_the_app() -> None:
    for action in ACTIONS:
        assert action.shown.isdigit() == (action.scope is Scope.HANDS)


def test_enter_takes_the_reading() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("enter")
        assert screen.last_step == {"do": "take"}
        assert "Result C3 insulation 500 V: 412 MΩ: meets" in screen.text

    run(play, measured())


def test_a_result_is_told_to_the_ear_once(monkeypatch: pytest.MonkeyPatch) -> None:
    rung: list[int] = []
    monkeypatch.setattr("tui.app.ZerofirstApp.bell", lambda _: rung.append(1))

    async def play(screen: AppBench) -> None:
        await screen.press("enter")
        await screen.look()
        assert len(rung) == 1

    run(play, measured())


def test_a_second_enter_takes_nothing_twice() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("enter", "enter")
        assert "Refused: this reading has been taken already" in screen.text
        assert len(screen.bench.sitting.state.results) == 1

    run(play, measured())


def test_enter_on_a_standing_caution_takes_nothing() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("enter")
        assert "a caution stands before this test" in " ".join(screen.text.split())
        await screen.press("u")
        assert screen.last_step == {"do": "confirm", "caution": "insulation"}
        await screen.press("enter")
        assert screen.last_step == {"do": "take"}

    run(play, unconfirmed())


def unconfirmed() -> ScreenBench:
    """Insulation was never confirmed: its caution stands."""
    bench = ScreenBench()
    bench.isolate()
    bench.prove()
    bench.select("C1", confirmed=False)
    bench.read("300", mark="2")
    return bench


def test_a_reference_is_checked_by_its_figure_and_unit() -> None:
    bench = ScreenBench()
    bench.select("C1", "earth-continuity")
    bench.read("0.50", Function.CONTINUITY, unit="Ohm")

    async def play(screen: AppBench) -> None:
        await screen.press("v", *"half", "enter")
        assert "write the figure of the reference and its unit" in " ".join(screen.text.split())
        await screen.press("v", *"0.5 Ohm", "enter")
        asked = {"point": "reference", "function": "continuity", "expect": "0.5", "unit": "Ohm"}
        assert asked.items() <= screen.last_step.items()
        for _ in range(3):
            bench.read("0.50", Function.CONTINUITY, unit="Ohm")
        await screen.look()
        assert "Reference check of continuity passed" in " ".join(screen.text.split())

    run(play, bench)


def test_checks_by_key_and_a_slip_is_asked_about() -> None:
    bench = ScreenBench()
    bench.select()
    bench.read("1000", relation="gt")

    async def play(screen: AppBench) -> None:
        await screen.press("a")
        assert screen.last_step["point"] == "infinity"
        for _ in range(3):
            bench.read("1000", relation="gt")
        bench.read("0.00")
        await screen.look()
        await screen.press("j")
        assert screen.last_step["point"] == "zero"
        for _ in range(3):
            bench.read("0.00")
        bench.read("412", mark="2")
        await screen.look()
        await screen.press("enter")
        bench.read("412", mark="2")
        await screen.look()
        steps = len(bench.sitting.steps)
        await screen.press("a")
        assert isinstance(screen.app.screen, Sure)
        assert "would put 1 result in doubt" in " ".join(screen.text.split())
        await screen.press("enter")  # the careless answer is the one that costs nothing
        assert len(bench.sitting.steps) == steps
        await screen.press("a", "y")
        assert screen.last_step["point"] == "infinity"

    run(play, bench)


def test_choosing_takes_two_keys_for_what_comes_next() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("c")
        assert isinstance(screen.app.screen, Choose)
        assert "Next: C1 Kiln" in screen.text
        await screen.press("enter", "enter")
        assert screen.last_step == {"do": "select", "item": "C1", "test": "insulation", "voltage": "500"}

    run(play)


def test_choosing_by_typing_then_test_then_voltage() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("c")
        await screen.type("c3 0 of")
        await screen.press("enter")
        assert "Which test on C3 Workbench lights?" in screen.text
        await screen.type("insul")
        await screen.press("enter")
        assert "At which test voltage" in screen.text
        await screen.press("down", "enter")
        assert screen.last_step == {"do": "select", "item": "C3", "test": "insulation", "voltage": "250"}

    run(play)


def test_choosing_item_and_test_at_once_by_typing_both() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("c")
        await screen.type("lights polar")
        await screen.press("enter")
        assert screen.last_step == {"do": "select", "item": "C3", "test": "polarity"}

    run(play)


@pytest.mark.parametrize("way", ["escape", "line"])
def test_the_way_back_needs_no_special_key(way: str) -> None:
    async def play(screen: AppBench) -> None:
        steps = len(screen.bench.sitting.steps)
        await screen.press("c")
        if way == "escape":
            await screen.press("escape")
        else:
            await screen.type("no such thing")
            await screen.press("enter")
        assert isinstance(screen.app.screen, Work)
        assert len(screen.bench.sitting.steps) == steps

    run(play)


def test_a_live_test_out_of_turn_asks_for_words() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("c")
        await screen.type("c3 0 of")
        await screen.press("enter")
        await screen.type("earth loop")
        await screen.press("enter")
        assert isinstance(screen.app.screen, Ask)
        assert "insulation has no result yet" in " ".join(screen.text.split())
        await screen.type("practice")
        await screen.press("enter")
        assert screen.last_step == {"do": "select", "item": "C3", "test": "earth-loop", "override": "practice"}

    run(play)


def test_an_rcd_test_asks_for_its_setting() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("c")
        await screen.type("c3 0 of")
        await screen.press("enter")
        await screen.type("rcd time")
        await screen.press("enter")
        await screen.type("5 times, from 180")
        await screen.press("enter")
        await screen.type("practice")
        await screen.press("enter")
        assert screen.last_step == {
            "do": "select",
            "item": "C3",
            "test": "rcd-time",
            "override": "practice",
            "setting": {"multiple": "5", "phase": "180"},
        }
        assert "5 times 30 mA, 180°" in screen.text

    run(play)


def test_devices_alterations_skips_notes_and_judgements() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("d")
        await screen.type("S3")
        await screen.press("enter", "enter")
        assert screen.last_step == {"do": "set", "device": "S3", "position": "off"}
        await screen.press("o")
        await screen.type("LK1")
        await screen.press("enter", "enter", "enter")
        assert screen.last_step == {"do": "alter", "what": "LK1", "to": "out", "why": ""}
        await screen.press("o", "enter")
        assert screen.last_step == {"do": "restore", "what": "LK1"}
        await screen.press("s")
        await screen.type("polarity")
        await screen.press("enter")
        await screen.type("no access")
        await screen.press("enter")
        assert screen.last_step == {"do": "skip", "item": "C3", "test": "polarity", "why": "no access"}
        await screen.press("w")
        await screen.type("loft is wet")
        await screen.press("enter")
        assert screen.last_step == {"do": "note", "text": "loft is wet"}

    run(play)


def test_judging_no_asks_why() -> None:
    bench = ScreenBench()
    bench.select("C3", "polarity")

    async def play(screen: AppBench) -> None:
        await screen.press("n", "enter")
        assert "Write a few words first." in screen.text
        await screen.type("swapped")
        await screen.press("enter")
        assert screen.last_step == {"do": "judge", "outcome": "no", "why": "swapped"}
        await screen.press("y")
        assert screen.last_step == {"do": "judge", "outcome": "yes", "why": ""}

    run(play, bench)


@pytest.mark.parametrize("key", ["y", "n"])
def test_what_is_measured_is_not_judged_and_that_is_said_at_once(key: str) -> None:
    bench = ScreenBench()
    bench.select("C1")

    async def play(screen: AppBench) -> None:
        before = len(bench.sitting.steps)
        await screen.press(key)
        assert isinstance(screen.app.screen, Work)
        assert "Refused: insulation is measured, not judged by eye: take a reading" in " ".join(screen.text.split())
        assert len(bench.sitting.steps) == before

    run(play, bench)


def test_a_test_that_has_its_outcome_is_not_left_out_in_passing() -> None:
    bench = ScreenBench()
    bench.isolate()
    bench.prove()
    bench.select("C1")
    bench.read("412")
    bench.step("take")

    async def play(screen: AppBench) -> None:
        await screen.press("s")
        assert "(not C1 insulation: it has its outcome, or is not required)" in " ".join(screen.text.split())
        await screen.press("escape")
        for test in ("insulation", "polarity"):
            bench.step("skip", item="C3", test=test, why="no access")
        await screen.look()
        await screen.press("s")
        assert isinstance(screen.app.screen, Work)
        assert "there is none to leave out" in " ".join(screen.text.split())

    run(play, bench)


def test_no_line_of_the_log_loses_its_end_to_the_scroll_bar(tmp_path: Path) -> None:
    """The scroll bar comes after the rows were counted: a line as wide as the list lost its last word to it."""
    path, clock = tmp_path / "long.zerofirst", ManualClock()
    plan = studio_plan()
    first = [(Kind.JOB, {"plan": plan_body(plan)}), (Kind.RULES, {"pack": load_pack(plan.rules).body})]
    with Logbook.create(path, first, clock, OperatorKey.from_seed("zerofirst-operator/ada", bytes(range(32)))) as book:
        for number in range(220):
            book.append(Kind.NOTE, {"text": f"{'x ' * (15 + number % 30)}end{number}."})

    async def play(screen: AppBench) -> None:
        screen.app.push_screen(Log(path, 0, clock))
        await screen.come("every entry")
        listed = screen.app.screen.query_one(OptionList)
        shown: set[str] = set()
        for top in range(0, listed.virtual_size.height, listed.size.height):
            listed.scroll_to(y=top, animate=False, immediate=True)
            await screen.look()
            shown |= set(re.findall(r"end(\d+)\.", screen.text))
        assert {str(number) for number in range(30, 220)} <= shown

    run(play)


def test_a_dial_is_keyed_in() -> None:
    bench = ScreenBench(connected=False, addresses=())
    bench.select()

    async def play(screen: AppBench) -> None:
        await screen.press("k")
        await screen.type(">200")
        await screen.press("enter", "enter")
        assert screen.last_step == {"do": "key", "value": "200", "unit": "MOhm", "relation": "gt"}
        assert ">200 MΩ" in screen.text

    run(play, bench)


def test_finishing_lists_what_is_left() -> None:
    bench = measured()

    async def play(screen: AppBench) -> None:
        await screen.press("f")
        assert isinstance(screen.app.screen, Page)
        assert "Before it can be closed: 5 things" in screen.text
        assert "neutral-earth link LK1 is out since 09:00: put it back before supply" in screen.text
        await screen.press("q")
        assert isinstance(screen.app.screen, Work)

    run(play, bench)


def test_finishing_seals_and_then_only_looks() -> None:
    bench = ScreenBench()
    for item, test in (("C1", "insulation"), ("C3", "insulation"), ("C3", "polarity")):
        bench.step("skip", item=item, test=test, why="practice")

    async def play(screen: AppBench) -> None:
        await screen.press("f", "y")
        assert screen.last_step == {"do": "close", "seal": True}
        assert "(closed)" in screen.text
        assert "The logbook is closed" in screen.text
        steps = len(bench.sitting.steps)
        await screen.press("enter", "c", "a", "w")
        assert isinstance(screen.app.screen, Work)
        assert len(bench.sitting.steps) == steps
        await screen.press("t")
        assert isinstance(screen.app.screen, Choose)

    run(play, bench)


def test_leaving_asks_once_and_a_slip_stays() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("q")
        assert "Everything recorded is on disk" in screen.text
        await screen.press("enter")
        assert isinstance(screen.app.screen, Work)
        await screen.press("q", "y")
        assert not screen.app.is_running or screen.app._exit

    run(play)


def test_everything_lists_every_action_and_does_it() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("slash")
        listed = screen.app.screen.query_one(OptionList)
        offered = [a for a in ACTIONS if a.scope is not Scope.HANDS and a.name != "everything"]
        assert listed.option_count == len(offered) + len(FORMULAS) + 1  # and the way back
        await screen.type("note")
        await screen.press("enter")
        assert isinstance(screen.app.screen, Ask)

    run(play)


@pytest.mark.parametrize("key", ["question_mark", "f1"])
def test_help_names_every_key(key: str) -> None:
    async def play(screen: AppBench) -> None:
        await screen.press(key)
        assert isinstance(screen.app.screen, Page)
        for action in ACTIONS:
            assert (action.words in screen.text) == (action.scope is not Scope.HANDS), action.name

    run(play, size=(100, 60))


def test_a_click_on_a_hint_is_as_good_as_its_key() -> None:
    async def play(screen: AppBench) -> None:
        hint = next(hint for hint in screen.app.screen.query(Hint) if "take" in hint.render().plain)  # type: ignore[union-attr]
        await screen.pilot.click(hint)
        await screen.look()
        assert screen.last_step == {"do": "take"}

    run(play, measured())


def test_a_click_on_the_work_list_and_the_log_opens_them() -> None:
    async def play(screen: AppBench) -> None:
        await screen.pilot.click("WorkPanel", offset=(5, 5))
        await screen.look()
        assert isinstance(screen.app.screen, Choose)

    run(play, measured(), size=(120, 40))


def test_bright_and_dark() -> None:
    async def play(screen: AppBench) -> None:
        assert screen.app.theme == DARK.name
        await screen.press("b")
        assert screen.app.theme == BRIGHT.name
        assert "meets at least" in screen.text

    run(play, measured())


# -- the simulated hands ----------------------------------------------------------------------------------------------


def test_the_hands_move_leads_and_meter_and_are_marked() -> None:
    hands = FakeLine()
    bench = measured()

    async def play(screen: AppBench) -> None:
        assert screen.rows[-1].startswith(" HANDS")
        for key in "1230":
            assert f"[{key}]" in screen.rows[-1]
        await screen.press("1")
        await settle(screen)
        await screen.press("2")
        await settle(screen)
        await screen.press("3")
        await settle(screen)
        assert hands.told == ["leads open", "leads short", "leads C3 L+N/PE"]
        assert "simulated, leads on C3" in screen.text
        await screen.press("0")
        await screen.type("explode")
        await screen.press("enter")
        await settle(screen)
        assert screen.app.context is not None
        assert screen.app.context.desk.hands is not None
        assert "no command of the simulator" in screen.app.context.desk.hands.said

    run(play, bench, simulator=hands)


def test_the_lists_behind_next_begin_on_what_it_speaks_of() -> None:
    bench = ScreenBench()
    bench.step("alter", what="supply", to="off", why="proven dead")
    bench.prove()
    bench.select("C3")

    async def play(screen: AppBench) -> None:
        assert "Take link LK1 out." in screen.text
        await screen.press("o", "enter")
        await screen.come("LK1 is in. What is it now?")
        await screen.press("enter", "enter")
        assert screen.last_step == {"do": "alter", "what": "LK1", "to": "out", "why": ""}
        bench.step("set", device="S3", position="off")
        bench.read("412")
        await screen.look()
        assert "S3 is off: change that first" in screen.text
        await screen.press("d", "enter", "enter")
        assert screen.last_step == {"do": "set", "device": "S3", "position": "on"}
        bench.read("412")
        await screen.press("enter")
        for test in ("insulation", "polarity"):
            for item in ("C1", "C3"):
                bench.step("skip", item=item, test=test, why="practice")
        bench.desk.prove(Point.INFINITY)
        for _ in range(3):
            bench.read("1000", relation="gt")
        bench.desk.prove(Point.ZERO)
        for _ in range(3):
            bench.read("0.00")
        await screen.look()
        assert "Put back what was altered: neutral-earth link LK1." in screen.text
        await screen.press("o", "enter")
        assert screen.last_step == {"do": "restore", "what": "LK1"}

    run(play, bench)


def test_what_is_said_of_a_device_the_hands_do_too() -> None:
    hands = FakeLine()

    async def play(screen: AppBench) -> None:
        await screen.press("d")
        await screen.type("S3")
        await screen.press("enter", "enter")
        await settle(screen)
        assert hands.told == ["set S3 off"]

    run(play, measured(), simulator=hands)


def test_the_supply_stays_off_while_something_is_altered() -> None:
    hands = FakeLine()

    async def play(screen: AppBench) -> None:
        await screen.press("6")
        await settle(screen)
        assert hands.told == []
        assert "put back what is altered" in " ".join(screen.text.split())

    run(play, measured(), simulator=hands)


def test_without_a_simulator_the_digits_do_nothing() -> None:
    async def play(screen: AppBench) -> None:
        steps = len(screen.bench.sitting.steps)
        await screen.press("1", "2", "3", "0")
        assert isinstance(screen.app.screen, Work)
        assert len(screen.bench.sitting.steps) == steps
        assert "HANDS" not in screen.text

    run(play, measured())


async def settle(screen: AppBench) -> None:
    """Wait for deeds that went off the loop."""
    await screen.app.workers.wait_for_complete()
    await screen.look()


# -- how the parts talk -----------------------------------------------------------------------------------------------


def test_a_newer_look_takes_the_place_of_one_that_waits() -> None:
    view = ScreenBench().look()
    assert Looked(view).can_replace(Looked(view))
    assert not Looked(view).can_replace(Wanted("take"))


def test_a_deed_that_breaks_is_told_and_the_app_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    async def broken(context: object) -> None:
        raise ZeroDivisionError("of ours")

    monkeypatch.setitem(DEEDS, "note", broken)

    async def play(screen: AppBench) -> None:
        await screen.press("w")
        assert "the screen met a fault of its own (ZeroDivisionError: of ours)" in " ".join(screen.text.split())
        await screen.press("enter")
        assert screen.last_step == {"do": "take"}

    run(play, measured())


def test_nothing_blocks_the_loop_while_readings_run() -> None:
    bench = measured()

    async def play(screen: AppBench) -> None:
        with blockbuster_ctx():
            for n in range(5):
                bench.read(str(400 + n), mark="2")
                await screen.look()
            await screen.press("enter", "t", "escape", "slash", "escape", "question_mark", "q", "m", "q", "f", "q")

    run(play, bench)


def test_a_function_with_another_unit_is_shown_as_it_is() -> None:
    bench = measured()
    bench.read("0.35", Function.CONTINUITY, unit="Ohm")

    async def play(screen: AppBench) -> None:
        assert "but the meter is on continuity" in screen.text
        assert "Set the meter to insulation, 500 V" in screen.text

    run(play, bench)


def test_typing_into_a_list_starts_at_once() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("t")
        assert isinstance(screen.app.focused, Input)

    run(play)
