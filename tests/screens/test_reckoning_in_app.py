"""The pocket formulas in the app: one line of quantities in, result with working and source out."""

from __future__ import annotations

import pytest
from app_bench import AppBench, run

from logger.rules.reckoning.catalogue import FORMULAS, reckon
from tui.screens.page import Page
from tui.screens.reckoning import answer_lines, words_of
from tui.screens.work import Work
from tui.view import text_of


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("length=28m line=2.5mm2", ["length=28m", "line=2.5mm2"]),
        ("length = 28 m  line=2,5 mm²", ["length=28 m", "line=2,5 mm²"]),
        ("values=1, 2, 3 limit=1", ["values=1, 2, 3", "limit=1"]),
        ("nonsense", ["nonsense"]),
    ],
)
def test_a_line_of_quantities_falls_into_words(typed: str, words: list[str]) -> None:
    assert words_of(typed) == words


def test_an_answer_has_result_working_source_and_cautions() -> None:
    answer = reckon("r1-plus-r2", ["line=2.5mm2", "earth=1.5mm2", "length=28m"])
    text = text_of(answer_lines("r1-plus-r2", "length=28m", answer))
    assert "r1-plus-r2 = 0.5" in text
    assert all(step in text for step in answer.working)
    assert f"Source: {answer.source}." in text
    assert all(caution.rstrip(".") in text for caution in answer.cautions)


def test_from_the_palette_over_a_slip_to_the_answer_and_nothing_is_logged() -> None:
    async def play(screen: AppBench) -> None:
        steps = len(screen.bench.sitting.steps)
        await screen.press("slash")
        await screen.come("Everything that can be done")
        await screen.type("reckon r1-plus")
        await screen.press("enter")
        await screen.come(FORMULAS["r1-plus-r2"].what)
        await screen.type("line=2.5 mm2 earth=1.5 mm2")
        await screen.press("enter")
        await screen.come("Not yet:")
        await screen.type(" length=28 m")
        await screen.press("enter")
        await screen.come("Source:")
        assert isinstance(screen.app.screen, Page)
        await screen.press("enter")
        assert isinstance(screen.app.screen, Work)
        assert len(screen.bench.sitting.steps) == steps

    run(play)


def test_its_own_key_lists_them() -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("r")
        await screen.come("What is to be reckoned?")
        await screen.press("escape")
        assert isinstance(screen.app.screen, Work)

    run(play)
