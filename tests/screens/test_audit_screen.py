"""The auditor's screen, at the keys: found by words, opened down to the bytes, followed, remarked on; not changed."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
import sys
from collections.abc import Awaitable, Callable
from multiprocessing import resource_tracker
from pathlib import Path

import pytest
from app_bench import AppBench
from filelock import FileLock
from screen_bench import ScreenBench

sys.path.insert(0, str(Path(__file__).parent.parent / "audit"))
from working_day import KEY, Day, good_day

from logger.audit import desk
from logger.audit.remark import remarks_in
from logger.audit.remarks_beside import look_beside, name_beside
from logger.clock import ManualClock, SystemClock
from logger.logbook.entries import Kind
from logger.logbook.keys import KEYS_VARIABLE
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook
from tui.app import ZerofirstApp
from tui.cli.main import main
from tui.opening import open_logbook
from tui.pump import Pump
from tui.screens.audit import Audit
from tui.screens.audit_entry import AuditEntry, LinkRow
from tui.screens.audit_findings import AuditFindings

Scene = Callable[[AppBench], Awaitable[None]]


async def left_open(day: Day) -> None:
    await day.do("note", text="the wheels are unplugged \x1b[2J[/]")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept")
    good_day(folder / "open.db", 1, left_open)
    good_day(folder / "sealed.db", 1)
    return folder


@pytest.fixture
def folder(kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(KEYS_VARIABLE, str(tmp_path / "keys"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    here = shutil.copytree(kept, tmp_path / "jobs")
    monkeypatch.chdir(here)
    return Path(here)


def play(path: Path | None, scene: Scene, size: tuple[int, int] = (80, 24)) -> ZerofirstApp:
    app = ZerofirstApp(SystemClock(), audited=path)

    async def whole() -> None:
        async with app.run_test(size=size) as pilot:
            screen = AppBench(app, pilot, ScreenBench())
            await screen.come(" 1135  " if path else "Audit a logbook")
            await scene(screen)

    asyncio.run(whole())
    return app


async def find(screen: AppBench, words: str, sentence: str) -> None:
    await screen.press("slash")
    await screen.type(words)
    await screen.come(sentence)
    await screen.press("enter")


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_found_by_words_as_they_are_typed(folder: Path, size: tuple[int, int]) -> None:
    before = {path: path.read_bytes() for path in folder.iterdir()}

    async def scene(screen: AppBench) -> None:
        assert "Audit of sealed.db: Pottery studio rewire" in screen.text
        assert "sealed" in screen.rows[1]
        await find(screen, "c3 insu", "Readings and results on C3, insulation: 100")
        assert "C3 insulation: counts" in screen.text
        await screen.press("slash")
        await screen.type(" turned away")
        await screen.come("Readings on C3, insulation, turned away")
        await screen.come("(all")
        assert "RESULT" not in screen.text
        assert "turned away: wrong function" in screen.text
        await screen.type(" glaze ")
        await screen.come("not known here: glaze")
        await screen.press("escape")
        await screen.press("escape")
        assert not screen.app.is_running

    play(folder / "sealed.db", scene, size)
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


def test_pages_go_older_and_back_to_the_newest(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        await screen.come("[o] older)")
        first = screen.rows[6]
        await screen.press("o")
        await screen.come("back to entry 7")
        assert screen.rows[6] != first
        await screen.press("n")
        await screen.come(first.strip()[:30])

    play(folder / "sealed.db", scene)


@pytest.mark.parametrize(
    ("size", "hexed"), [((80, 24), "40 72 64 20 6e 3d 35 35 "), ((120, 40), "40 72 64 20 6e 3d 35 35 36")]
)
def test_from_a_result_to_the_bytes_and_back(folder: Path, size: tuple[int, int], hexed: str) -> None:
    async def scene(screen: AppBench) -> None:
        await find(screen, "results", "Results: 7 (all)")
        await screen.press("enter")
        await screen.come("1 its reading")
        for role in ("self-check before", "self-check after", "selected then"):
            assert role in screen.text
        await screen.press("1")
        await screen.come("(from 1035)")
        await screen.press("pagedown")
        await screen.come(hexed)
        assert "rd: n 556" in next(row for row in screen.rows if hexed in row)
        await screen.press("1")
        await screen.come("1034 ‹ 1035")
        await screen.come("came of it")
        await screen.press("b")
        await screen.come("(from 1035)")
        await screen.press("b")
        await screen.come("Entry 1035: result")
        await screen.press("b")
        await screen.come("Results: 7 (all)")
        assert isinstance(screen.app.screen, Audit)

    play(folder / "sealed.db", scene, size)


def test_every_link_can_be_reached_with_tab(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        await find(screen, "results", "Results: 7 (all)")
        await screen.press("enter")
        await screen.come("9 its instrument")
        for _ in range(9):
            await screen.press("tab")
        await screen.press("enter")
        await screen.come("(from 1035)")
        assert "Entry 7: instrument" in screen.text

    play(folder / "sealed.db", scene, (120, 40))


def test_a_link_is_followed_with_the_mouse(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        await find(screen, "results", "Results: 7 (all)")
        await screen.press("enter")
        await screen.come("its reading")
        await screen.pilot.click(LinkRow)
        await screen.come("(from 1035)")

    play(folder / "sealed.db", scene)


def test_what_an_audit_says_leads_to_its_entries(folder: Path) -> None:
    path = folder / "open.db"
    with sqlite3.connect(path) as connection:
        statement = connection.execute(
            "SELECT sql FROM sqlite_schema WHERE name = 'entries_are_not_changed'"
        ).fetchone()
        connection.execute("DROP TRIGGER entries_are_not_changed")
        connection.execute("UPDATE entries SET body = replace(body, '31.5', '99.9') WHERE number = 1035")
        connection.execute(statement[0])
    connection.close()

    async def scene(screen: AppBench) -> None:
        await screen.press("f")
        assert isinstance(screen.app.screen, AuditFindings)
        await screen.come("it does NOT stand")
        assert "✗ BREACH" in screen.text
        await screen.press("enter")
        await screen.come("Entry 1035: result")
        assert isinstance(screen.app.screen, AuditEntry)
        await screen.press("q")
        await screen.come("it does NOT stand")
        await screen.press("q")
        await screen.come("Readings and results")

    play(path, scene)


def test_a_large_one_is_audited_in_processes_of_their_own(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Under the app standard error is no file, which Python's own process-starting trips over."""
    monkeypatch.setattr(desk, "LARGE_ENTRIES", 100)
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    resource_tracker._resource_tracker._stop()  # type: ignore[attr-defined]

    async def scene(screen: AppBench) -> None:
        await screen.press("f")
        await screen.come("every entry stands as it was written")

    play(folder / "sealed.db", scene)


def test_leaving_while_it_is_audited(folder: Path) -> None:
    async def scene(screen: AppBench) -> None:
        await screen.press("f")
        await screen.press("q")
        await screen.come("Readings and results")

    play(folder / "sealed.db", scene)


async def remark(screen: AppBench, words: str) -> None:
    await screen.press("w")
    await screen.come("What do you remark")
    await screen.type(words)
    await screen.press("enter")
    await screen.come("Your name")
    await screen.press("enter")
    await screen.come("In which role?")
    await screen.press("enter")


@pytest.mark.parametrize("name", ["open.db", "sealed.db"])
def test_a_remark_is_written_and_stands_with_the_entry(folder: Path, name: str) -> None:
    async def scene(screen: AppBench) -> None:
        await find(screen, "results", "Results: 7 (all)")
        await screen.press("enter")
        await screen.come("1 its reading")
        await remark(screen, "Whose leads were these?")
        await screen.come("The remark is written")
        assert ("stands beside it" in screen.text) is (name == "sealed.db")
        await screen.press("enter")
        await screen.come("Whose leads were these?")

    play(folder / name, scene, (120, 40))
    with LogbookReader.open(folder / name) as reader:
        found = [*remarks_in(reader), *look_beside(reader).remarks]
    assert [(each.about, each.text, bool(each.signer)) for each in found] == [(1035, "Whose leads were these?", True)]


def test_what_is_recorded_meanwhile_is_there_with_the_newest(folder: Path) -> None:
    path = folder / "open.db"

    async def scene(screen: AppBench) -> None:
        with LogbookReader.open(path) as reader:
            last, size = reader.last(Kind.READING), reader.size
        assert last is not None
        with Logbook.open(path, ManualClock(), KEY) as logbook:
            number = logbook.append(Kind.READING, last.data)
            logbook.commit()
            await screen.press("n")
            await screen.come(f" {number}  ")
        assert f"{size + 1} entries" in screen.rows[1]

    play(path, scene)


def test_a_remark_on_what_is_held_is_refused_and_its_words_are_kept(folder: Path) -> None:
    path = folder / "open.db"

    async def scene(screen: AppBench) -> None:
        await screen.press("enter")
        await screen.come("its bytes")
        with FileLock(path.with_name("open.db.lock")):
            await remark(screen, "Whose leads?")
            await screen.come("The remark was not written")
            assert "being recorded by another program" in " ".join(screen.text.split())
            await screen.press("enter")
            await screen.come("What do you remark")
            assert "Whose leads?" in screen.text
            await screen.press("escape")
        with Logbook.open(path, ManualClock(), KEY):
            await screen.press("w")
            await screen.come("recorded by this very program")

    play(path, scene)
    with LogbookReader.open(path) as reader:
        assert list(remarks_in(reader)) == []
    assert not name_beside(path).exists()


def test_from_the_start_screen(folder: Path) -> None:
    (folder / "shopping.db").write_text("clay, wax")

    async def scene(screen: AppBench) -> None:
        await screen.type("audit a")
        await screen.press("enter")
        await screen.come("Which logbook? It is only read.")
        assert "shopping.db" not in screen.text
        await screen.type("sealed")
        await screen.press("enter")
        await screen.come("Audit of sealed.db")
        await screen.press("q")
        await screen.come("Demo: the whole job")
        await screen.type("audit a")
        await screen.press("enter")
        await screen.come("Which logbook? It is only read.")
        await screen.type("another")
        await screen.press("enter")
        await screen.come("Which logbook?")
        await screen.type("shopping.db")
        await screen.press("enter")
        await screen.come("is not a logbook")

    play(None, scene)


def test_from_the_log_of_a_logbook_that_is_closed(folder: Path) -> None:
    clock = SystemClock()
    opened = open_logbook(folder / "sealed.db", [], clock, Pump())
    app = ZerofirstApp(clock, opened)

    async def whole() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            screen = AppBench(app, pilot, ScreenBench())
            await screen.come("Pottery studio rewire")
            await screen.press("l")
            await screen.come("The log: entries")
            await screen.press("a")
            await screen.come("Readings and results")
            await screen.press("q")
            await screen.come("The log: entries")

    asyncio.run(whole())


def test_a_logbook_that_cannot_be_read_is_told(folder: Path) -> None:
    cut = folder / "cut.db"
    data = (folder / "sealed.db").read_bytes()
    cut.write_bytes(data[: len(data) // 3])
    app = ZerofirstApp(SystemClock(), audited=cut)

    async def whole() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            screen = AppBench(app, pilot, ScreenBench())
            await screen.come("damaged")
            await screen.press("f")
            await screen.come("it does NOT stand")
            await screen.press("q", "q")

    asyncio.run(whole())
    assert not app.is_running


def test_a_strangers_note_is_drawn_and_not_obeyed(folder: Path) -> None:
    with LogbookReader.open(folder / "open.db") as reader:
        note = reader.last(Kind.NOTE)
    assert note is not None

    async def scene(screen: AppBench) -> None:
        screen.app.push_screen(AuditEntry(folder / "open.db", note.number, SystemClock(), 0))
        await screen.come("the wheels are unplugged ␛[2J[/]")

    play(folder / "open.db", scene)


def test_the_command_needs_a_terminal_and_one_logbook(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", str(folder / "open.db"), "--screen"]) == 2
    assert "terminal" in capsys.readouterr().err
    assert main(["audit", str(folder), "--screen"]) == 2
    assert "name one of them" in capsys.readouterr().err
