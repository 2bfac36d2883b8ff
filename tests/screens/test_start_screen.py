"""The start screen: what is near, and what can be begun from it."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from app_bench import AppBench
from screen_bench import ScreenBench

from logger.clock import SystemClock
from tui import nearby
from tui.app import ZerofirstApp, let_go
from tui.nearby import Nearby
from tui.screens.start import DEMO
from tui.screens.work import Work

PLAN = """
[job]
title = "Glaze booth"
kind = "installation"
rules = "iec"
[supply]
system = "TN-C-S"
voltage = 230
[[board]]
id = "DB1"
[[circuit]]
id = "C1"
board = "DB1"
name = "Booth fan"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a plan, and no ports on the machine."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setattr(nearby, "meters", lambda: ([Nearby("serial:/dev/ttyKILN", "a tester")], True))
    here = tmp_path / "work"
    here.mkdir()
    (here / "booth.toml").write_text(PLAN)
    monkeypatch.chdir(here)
    return here


def play(scene: Callable[[AppBench], Awaitable[None]]) -> ZerofirstApp:
    app = ZerofirstApp(SystemClock())

    async def whole() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            screen = AppBench(app, pilot, ScreenBench())
            await screen.come("Demo: the whole job")
            await scene(screen)

    asyncio.run(whole())
    return app


def test_a_new_job_from_a_plan_to_the_working_screen(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        assert "New job from booth.toml" in screen.text
        await screen.type("new job from booth")
        await screen.press("enter")
        await screen.come("What is the new logbook called?")
        await screen.press("enter")
        await screen.come("With which meter?")
        assert "serial:/dev/ttyKILN" in screen.text
        await screen.type("key in")
        await screen.press("enter")
        await screen.come("Glaze booth")
        await screen.come("WITH")
        assert isinstance(screen.app.screen, Work)

    app = play(scene)
    assert let_go(app) == 0
    assert (folder / "booth.zerofirst").exists()


def test_a_wrong_plan_is_told_with_its_faults_and_nothing_is_made(folder: Path) -> None:
    (folder / "booth.toml").write_text(PLAN.replace('kind = "installation"', 'kind = "barn"'))

    async def scene(screen: AppBench) -> None:
        await screen.type("new job from booth")
        await screen.press("enter")
        await screen.come("barn")
        assert "mend each and try again" in " ".join(screen.text.split())
        assert "Demo: the whole job" in screen.text

    play(scene)
    assert list(folder.glob("*.zerofirst")) == []


def test_a_file_that_is_no_logbook_is_told(folder: Path) -> None:
    (folder / "shopping.txt").write_text("clay, wax")

    async def scene(screen: AppBench) -> None:
        await screen.type("another logbook")
        await screen.press("enter")
        await screen.come("Which logbook?")
        await screen.type("shopping.txt")
        await screen.press("enter")
        await screen.come("With which meter?")
        await screen.type("no meter today")
        await screen.press("enter")
        await screen.come("shopping.txt")
        assert "Demo: the whole job" in screen.text

    play(scene)


def test_meters_are_looked_for(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        await screen.type("look for")
        await screen.press("enter")
        await screen.come("serial:/dev/ttyKILN  a tester")
        await screen.press("enter")
        await screen.come("Demo: the whole job")

    play(scene)


def test_the_demo_is_asked_for(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        await screen.type("demo")
        await screen.press("enter")

    assert play(scene).return_value == DEMO


def test_leaving(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        await screen.type("leave")
        await screen.press("enter")

    app = play(scene)
    assert app.return_value is None
    assert let_go(app) == 0


def test_logbooks_are_told_by_their_head_and_not_by_their_name_alone(folder: Path) -> None:
    (folder / "real.zerofirst").write_bytes(b"SQLite format 3\x00" + bytes(84))
    (folder / "fake.db").write_text("no logbook")
    (folder / "sub.db").mkdir()
    assert [path.name for path in nearby.logbooks(folder)] == ["real.zerofirst"]
    assert [path.name for path in nearby.plans(folder)] == ["booth.toml"]
