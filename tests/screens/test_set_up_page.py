"""The set-up page: what is drawn, what is said, and that it uses the room there is."""

from __future__ import annotations

from typing import Any

from app_bench import AppBench, run
from screen_bench import ScreenBench, studio_plan

from logger.job.drawing import Look
from logger.job.model import Appliance, ApplianceClass, JobKind
from tui.screens.set_up import Drawn
from tui.screens.work import Work
from tui.sentence.drawn import DRAWN_AS, set_up_heading, set_up_lines
from tui.view import Tone, Weight, text_of


def said(bench: ScreenBench, width: int = 74) -> str:
    bench.look()
    assert bench.desk.facts is not None
    return text_of(set_up_lines(bench.desk.facts, width))


def test_a_switch_that_is_off_is_said_before_the_test(bench: ScreenBench) -> None:
    bench.isolate()
    bench.step("set", device="S3", position="off")
    bench.select("C3")
    text = said(bench)
    assert text.startswith("Reached: ")
    assert "S3 off○" in text
    assert "○ keeps it off" in text
    assert "┄┄ not reached" in text
    assert "══ Q3" in text
    assert bench.says("covers").endswith("not C3 behind S3, which is off")


def test_one_main_switch_off_is_one_reason_for_many_items(bench: ScreenBench) -> None:
    bench.isolate()
    bench.select("DB1")
    bench.step("set", device="Q0", position="off")
    covers = bench.says("covers")
    assert covers.count("behind Q0, which is off") == 1
    assert len(covers) <= 140


def test_what_must_go_back_stands_with_what_puts_it_back(bench: ScreenBench) -> None:
    assert "nothing must be put back" in said(bench)
    bench.isolate()
    text = said(bench)
    assert "To be put back before supply: 2" in text
    assert "! LK1 is out since 09:00, for insulation: put link LK1 back in" in text


def test_what_spoils_is_named(bench: ScreenBench) -> None:
    bench.select("C1")
    assert "× Spoiled: the supply is connected" in said(bench)


def test_no_line_is_wider_than_the_room(bench: ScreenBench) -> None:
    bench.step("set", device="S3", position="off")
    bench.select("C3")
    bench.look()
    assert bench.desk.facts is not None
    drawing = [row for row in said(bench, 60).split("\n") if "─" in row or "═" in row or "┄" in row]
    assert drawing
    assert max(map(len, drawing)) <= 60


def test_appliances_have_no_drawing() -> None:
    wheel = Appliance("W1", ApplianceClass.I, "Potter's wheel")
    nothing: dict[str, Any] = {"supply": None, "boards": (), "circuits": (), "earths": ()}
    bench = ScreenBench(studio_plan(kind=JobKind.APPLIANCES, rules="en-appliances", appliances=(wheel,), **nothing))
    assert "no installation to draw" in said(bench)


def test_what_matters_is_told_by_weight_and_every_look_has_one() -> None:
    assert set(DRAWN_AS) == set(Look)
    assert DRAWN_AS[Look.SPOILED] == (Weight.STRONG, Tone.BAD)
    assert DRAWN_AS[Look.REACHED][0] is not DRAWN_AS[Look.UNREACHED][0]


def test_the_heading_names_what_is_chosen(bench: ScreenBench) -> None:
    bench.look()
    assert bench.desk.facts is not None
    assert set_up_heading(bench.desk.facts).endswith("nothing is chosen to be tested")
    bench.select("C3")
    bench.look()
    assert set_up_heading(bench.desk.facts).startswith("The set-up for C3 insulation")


def test_on_the_screen_it_takes_the_whole_room() -> None:
    bench = ScreenBench()
    bench.isolate()
    bench.step("set", device="S3", position="off")
    bench.select("C3")

    async def play(screen: AppBench) -> None:
        await screen.press("i")
        assert isinstance(screen.app.screen, Drawn)
        assert "Reached: " in screen.text
        assert "S3 off○" in screen.text
        assert "To be put back before supply: 2" in screen.text
        await screen.press("escape")
        assert isinstance(screen.app.screen, Work)

    run(play, bench)


def test_a_larger_terminal_gives_the_drawing_more_room() -> None:
    def rows(size: tuple[int, int]) -> list[str]:
        bench = ScreenBench()
        bench.isolate()
        bench.step("set", device="S3", position="off")
        bench.select("C3")
        found: list[str] = []

        async def play(screen: AppBench) -> None:
            await screen.press("i")
            found.extend(screen.rows)

        run(play, bench, size=size)
        return found

    whole = "not L: behind S3, which is off"
    assert not any(whole in row for row in rows((80, 24)))
    assert any(whole in row for row in rows((140, 40)))
