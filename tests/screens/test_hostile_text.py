"""Strangers' text everywhere: names from a plan, words from a meter, notes. None of it draws or moves anything."""

from __future__ import annotations

import unicodedata
from dataclasses import replace

import pytest
from app_bench import AppBench, FakeLine, run
from screen_bench import ScreenBench, studio_plan

from logger.job.model import Board, Circuit, Device, DeviceKind
from logger.quantity import Test
from tui.screens.work import Work

CORPUS = {
    "closing tag": "[/]",
    "a tag that never was": "[/nothing][b",
    "an action": "[@click=app.exit]leave[/]",
    "a link": "[link=file:///etc/passwd]look[/link]",
    "colours": "\x1b[31mred\x1b[0m",
    "a title": "\x1b]0;owned\x07",
    "a cleared screen": "\x1b[2J\x1b[H",
    "eight-bit controls": "\x9b31m\x90q\x9c",
    "directions": "abc\u202egnp.exe\u2066x\u2069",
    "invisible": "a\u200b\u200d\ufeffb\u2028c\u2029d",
    "bells and nulls": "\x00\x07\x08\x7f",
    "240 bytes": "Ω" * 120,
    "a long word": "x" * 240,
    "new lines": "one\ntwo\r\nthree\ttabbed",
    "combining": "Z\u0335\u0336\u0337" * 40,
    "wide": "検査" * 40,
    "emoji with a selector": "⚠️⚡" * 20,
    "braces and dollars": "{0} $foreground %s {{}} ${x}",
    "a lone surrogate": "a\udc80b",
}

HARMFUL = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}


def hostile_bench(text: str) -> ScreenBench:
    """A job in which every text that a stranger can choose is this one."""
    plan = studio_plan(
        title=text,
        boards=(Board("DB1", text, main_switch="Q0", neutral_earth_link="LK1", required=()),),
        circuits=(
            Circuit(
                text,
                "DB1",
                text,
                path=(Device("S" + text, DeviceKind.ONE_WAY),),
                required=(Test.INSULATION, Test.POLARITY),
            ),
        ),
        operator=text,
    )
    bench = ScreenBench(replace(plan, rules="iec"), connected=False)
    bench.connect(
        serial=text, maker=text, model=text, firmware=text, calibrated_until=text, leads=text, battery_percent=None
    )
    bench.select(text)
    bench.read("412", serial=text, mark=text)
    bench.tell("leads-changed", text)
    bench.tell("fault", text)
    bench.step("alter", what=text, to=text, why=text)
    bench.step("skip", item=text, test="polarity", why=text)
    bench.step("note", text=text)
    bench.step("select", item=text + "!", test=text)
    bench.lose_line(text)
    return bench


def assert_harmless(screen: AppBench) -> None:
    assert len(screen.rows) == screen.app.size.height
    for row in screen.rows:
        assert not {unicodedata.category(character) for character in row} & HARMFUL
        assert "\x1b" not in row


def read_through(text: str, keys: str) -> None:
    """The working screen, and every screen behind these keys."""

    async def play(screen: AppBench) -> None:
        assert_harmless(screen)
        for word in ("WITH", "ON", "WE SEE", "MEANS", "COVERS", "OPEN", "NEXT"):
            screen.row_of(word)
        for key in keys:
            await screen.press(key)
            assert_harmless(screen)
            await screen.press("escape")
            assert isinstance(screen.app.screen, Work)
        assert not screen.app._exit

    run(play, hostile_bench(text))


@pytest.mark.parametrize("text", CORPUS.values(), ids=CORPUS.keys())
def test_no_strangers_text_draws_anything(text: str) -> None:
    read_through(text, "")


@pytest.mark.parametrize("name", ["an action", "a cleared screen"])
def test_nor_on_any_screen(name: str) -> None:
    read_through(CORPUS[name], "ctdomf")


@pytest.mark.slow
@pytest.mark.parametrize("text", CORPUS.values(), ids=CORPUS.keys())
def test_nor_on_any_screen_whole(text: str) -> None:
    read_through(text, "ctdomfs")


@pytest.mark.parametrize("text", ["[/]", "[@click=app.exit]leave[/]", "\x1b[2J", "x" * 240])
def test_nor_on_a_large_terminal_with_hands(text: str) -> None:
    async def play(screen: AppBench) -> None:
        assert_harmless(screen)
        assert "leave" not in text or "[@click" in screen.text
        await screen.pilot.click(offset=(12, 2))
        await screen.look()
        assert not screen.app._exit

    run(play, hostile_bench(text), size=(140, 45), simulator=FakeLine())


def test_what_a_person_types_is_only_text() -> None:
    bench = ScreenBench()

    async def play(screen: AppBench) -> None:
        await screen.press("w")
        await screen.type("[/] [@click=app.exit]")
        await screen.press("enter")
        assert screen.last_step == {"do": "note", "text": "[/] [@click=app.exit]"}
        assert "[/] [@click=app.exit]" in screen.text
        await screen.press("c")
        await screen.type("[/")
        assert_harmless(screen)

    run(play, bench)
