"""Opening a real logbook for the screen: to record, to look, or not at all; and reading it entry by entry."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from app_bench import AppBench, run
from screen_bench import studio_plan

from drivers import address
from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.thread import SimulatorThread
from logger.clock import NS_PER_S, SystemClock
from logger.errors import LogbookUnusable
from logger.job.plan import plan_body
from logger.logbook.entries import Kind
from logger.logbook.writer import Logbook
from logger.rules.pack import load_pack
from tui.desk import Desk
from tui.history import Looking
from tui.opening import Opened, open_logbook
from tui.pump import Pump
from tui.screens.log import Log
from tui.screens.page import Page
from tui.screens.work import Work
from tui.situation import LineState
from tui.view import text_of

WAIT_LOOKS = 6_000
"""Looks within which a session on this machine answers; each waits for the recorder at most 10 ms."""


@pytest.fixture
def logbook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    path = tmp_path / "kiln.zerofirst"
    pack = load_pack("iec")
    first = [
        (Kind.JOB, {"plan": plan_body(studio_plan()), "title": "Kiln shed rewire", "kind": "installation"}),
        (Kind.RULES, {"name": pack.id, "pack": pack.body}),
    ]
    Logbook.create(path, first, SystemClock(), None).close()
    return path


def opened(path: Path) -> Opened:
    return open_logbook(path, [address.parse("keyed:?serial=0417&model=Dial")], SystemClock(), Pump())


def until(desk: Desk, done: Callable[[Desk], bool]) -> None:
    """Look until it is so."""
    for _ in range(WAIT_LOOKS):
        desk.look()
        if done(desk):
            return
        desk.sitting.wait(0.01)
    raise AssertionError("it did not come")


def test_a_session_behind_the_desk_from_start_to_close(logbook: Path) -> None:
    book = opened(logbook)
    desk = Desk(book.sitting, book.pump, SystemClock(), book.urls)
    until(desk, lambda d: "0417" in d.live.here)
    for item, test in (("C1", "insulation"), ("C3", "insulation"), ("C3", "polarity")):
        desk.step("skip", item=item, test=test, why="practice")
    desk.select("C3", "insulation", "500")
    until(desk, lambda d: d.facts is not None and d.facts.selection is not None)
    desk.key_in({"value": "412", "unit": "MOhm"})
    until(desk, lambda d: d.live.newest is not None)
    view = desk.look()
    assert view is not None
    assert text_of(view.means).startswith("does not count: the meter is not proven on 500 V")
    desk.step("close", seal=True)
    until(desk, lambda d: d.is_closed)
    assert book.session is not None
    book.session.stop()
    outcome = book.session.wait(10)
    assert outcome is not None
    assert outcome.error is None


def test_a_closed_logbook_is_only_looked_at(logbook: Path) -> None:
    test_a_session_behind_the_desk_from_start_to_close(logbook)
    before = logbook.read_bytes()
    book = opened(logbook)
    assert isinstance(book.sitting, Looking)
    assert book.session is None

    async def play(screen: AppBench) -> None:
        assert "(closed)" in screen.text
        assert "The logbook is closed: look at it as long as you like." in screen.text
        assert "The logbook is closed. Nothing more is recorded in it." in screen.text
        await screen.press("enter", "c")
        assert isinstance(screen.app.screen, Work)
        await screen.press("t")
        assert "skipped" in screen.text

    run(play, opened=book)
    assert logbook.read_bytes() == before


def test_a_logbook_that_another_holds_is_refused_with_who(logbook: Path) -> None:
    book = opened(logbook)
    try:
        with pytest.raises(LogbookUnusable):
            opened(logbook)
    finally:
        assert book.session is not None
        book.session.stop()
        book.session.wait(10)


def test_an_earlier_days_entries_stand_in_the_log_lines(logbook: Path) -> None:
    first = opened(logbook)
    assert first.session is not None
    first.session.submit({"do": "note", "text": "the loft is wet"})
    first.session.finish()
    first.session.wait(10)
    again = opened(logbook)
    try:
        desk = Desk(again.sitting, again.pump, SystemClock(), again.urls)
        desk.live.remember(again.history)
        view = desk.look()
        assert view is not None
        assert "Note: the loft is wet" in [line.text for line in view.log]
    finally:
        assert again.session is not None
        again.session.stop()
        again.session.wait(10)


def test_the_log_opens_down_to_the_entry(logbook: Path) -> None:
    book = opened(logbook)
    assert book.session is not None
    book.session.submit({"do": "note", "text": "the loft is wet"})
    book.session.finish()
    book.session.wait(10)

    async def play(screen: AppBench) -> None:
        await screen.press("l")
        await screen.come("The log: entries")
        assert isinstance(screen.app.screen, Log)
        assert "Note: the loft is wet" in screen.text
        row = next(row for row in screen.rows if "the loft is wet" in row)
        number = int(row.split()[0])
        listed = screen.app.screen.query_one("OptionList")
        listed.highlighted = screen.app.screen._numbers.index(number)  # type: ignore[attr-defined]
        await screen.press("enter")
        await screen.come(f"Entry {number}, note")
        assert isinstance(screen.app.screen, Page)
        assert f"Entry {number}, note" in screen.text
        assert "Leaf " in screen.text
        await screen.press("enter", "r", "q")
        assert isinstance(screen.app.screen, Work)

    run(play, opened=book)


def test_why_a_meter_does_not_come_is_told_at_once_and_forgotten_when_it_comes(logbook: Path) -> None:
    """It is tried for fifteen seconds and on; the person need not wait that long to read what is wrong."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    clock = SystemClock()
    began_ns = clock.mono_ns()
    book = open_logbook(logbook, [address.parse(f"tcp:127.0.0.1:{port}")], clock, Pump())
    desk = Desk(book.sitting, book.pump, clock, book.urls)
    until(desk, lambda d: d.facts is not None and d.facts.line is LineState.FAILED)
    assert (clock.mono_ns() - began_ns) / NS_PER_S < 10
    view = desk.look()
    assert view is not None
    assert f"port {port} takes no connection" in text_of(view.with_meter)
    with SimulatorThread(SimulatedMeter(load_site("pottery-studio")), "tcp", port=port):
        until(desk, lambda d: d.facts is not None and d.facts.line is LineState.READY)
        assert desk.sitting.failures == ()
        desk.sitting.stop()
        assert desk.sitting.wait(20) is not None
