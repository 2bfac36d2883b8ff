"""The timed run beside the figure: one short line, which pushes nothing out; and the page of runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from app_bench import AppBench, run
from screen_bench import LINE, ScreenBench

from logger.clock import ManualClock
from logger.happening import Read
from logger.logbook.keys import OperatorKey
from logger.logbook.writer import Logbook
from logger.quantity import Displayed, Function, Relation
from logger.reading import Flag, Reading
from tui.view import text_of
from tui.widgets.big_figure import BESIDE_WIDTH

MARGIN = ("WITH", "ON", "WE SEE", "MEANS", "COVERS", "OPEN", "NEXT")


class TimedBench(ScreenBench):
    """A meter that says its own time, five readings a second."""

    def __init__(self) -> None:
        super().__init__()
        self.ms = 0
        self.isolate()
        self.prove()
        self.select()

    def run_on(
        self, seconds: float, value: Callable[[float], str], *, relation: str = "eq", unheard: bool = False
    ) -> list[Read]:
        """So many seconds of readings, `value` by the seconds of this stretch; `unheard` while the line is away."""
        made = []
        for k in range(round(seconds * 5)):
            self.n, self.ms = self.n + 1, self.ms + 200
            self.clock.advance(0.2)
            shown = Displayed(value(k / 5), "MOhm", Relation(relation))
            reading = Reading(self.n, Function.INSULATION, shown, self.ms, "2", "500", "523", frozenset({Flag.STEADY}))
            made.append(Read(LINE, self.clock.mono_ns(), "0417", "b1", reading, False, 0, 0))
            if not unheard:
                self.take_in(made[-1])
        self.desk.look()
        return made

    def rise(self, seconds: float) -> None:
        """Insulation that rises: 100 MOhm when the voltage comes on, one more each second after that."""
        start_s = 0.0 if self.ms == 0 else self.ms / 1000
        self.run_on(seconds, lambda t: f"{100 + start_s + t:.0f}")

    def beside(self) -> list[str]:
        lines = self.look().we_see.beside
        assert len(lines) <= 4
        told = text_of(lines).split("\n")
        assert all(len(line) <= BESIDE_WIDTH for line in told)
        return told


@pytest.fixture
def timed() -> TimedBench:
    return TimedBench()


def test_what_stands_beside_the_figure_as_a_run_goes_on(timed: TimedBench) -> None:
    timed.rise(15)
    assert not any("run" in line for line in timed.beside()), "a reading that is soon taken has no run"
    timed.rise(9.2)
    assert timed.beside()[-1] == "run 0:24, 30 s in 6 s"
    timed.rise(10)
    assert timed.beside()[-1] == "run 0:34, 60 s in 26 s"
    timed.rise(30)
    assert timed.beside()[-1] == "DAR 1.23, PI in 8:56"
    timed.rise(540)
    assert timed.beside()[-1] == "DAR 1.23, PI 4.38"
    assert "give or take 23 MΩ" in timed.beside()


def test_the_ratio_stays_when_the_measurement_is_stopped(timed: TimedBench) -> None:
    timed.rise(62)
    timed.pass_time(3)
    timed.ms += 3_000
    assert timed.beside()[1:] == ["no new reading", "test voltage 523 V", "DAR 1.23"]
    timed.rise(1)
    assert not any("DAR" in line for line in timed.beside()), "a new run has begun"


def test_a_mark_out_of_range_and_one_that_was_missed_are_told(timed: TimedBench) -> None:
    timed.rise(28)
    timed.run_on(4, lambda _: "1000", relation="gt")
    timed.run_on(5, lambda _: "900")
    assert timed.beside()[-1] == "run 0:36, no 30 s"
    timed.run_on(30, lambda _: "900")
    assert timed.beside()[-1] == "no DAR, PI in 8:53"


def test_through_a_drop_out(timed: TimedBench) -> None:
    timed.rise(25)
    timed.lose_line()
    missing = timed.run_on(10, lambda t: f"{125 + t:.0f}", unheard=True)
    assert timed.beside()[-1] == "run 0:34 goes on"
    timed.line_back(10)
    timed.rise(2)
    assert timed.beside()[-1] == "run 0:36, no 30 s"
    for each in missing:
        timed.take_in(replace(each, reading=replace(each.reading, flags=frozenset({Flag.STORED}))))
    assert timed.beside()[-1] == "run 0:36, 60 s in 23 s"
    timed.rise(30)
    assert timed.beside()[-1] == "DAR 1.23, PI in 8:53"


def test_leads_that_are_apart_are_no_run(timed: TimedBench) -> None:
    timed.run_on(40, lambda _: "1000", relation="gt")
    assert timed.beside() == ["over range", "test voltage 523 V"]
    timed.run_on(62, lambda t: f"{100 + t:.0f}")
    assert timed.beside()[-1] == "DAR 1.23, PI in 8:58"
    timed.run_on(5, lambda _: "1000", relation="gt")
    assert timed.beside()[-1] == "DAR 1.23"


def test_another_selection_begins_anew(timed: TimedBench) -> None:
    timed.rise(62)
    timed.select("C3")
    timed.rise(5)
    assert not any("DAR" in line or "run" in line for line in timed.beside())


def test_nothing_is_pushed_out_at_80_by_24(timed: TimedBench) -> None:
    before: list[int] = []

    async def early(screen: AppBench) -> None:
        before.extend(screen.row_of(word) for word in MARGIN)

    async def late(screen: AppBench) -> None:
        assert [screen.row_of(word) for word in MARGIN] == before
        for words in ("DAR 1.23, PI in 8:58", "steady", "give or take", "test voltage 523 V", "[Enter] take", "meets"):
            assert words in screen.text, words

    timed.rise(12)
    run(early, timed)
    timed.rise(50)
    run(late, timed)


KEY = OperatorKey.from_seed("zerofirst-operator/ada", bytes(range(32)))


def on_disk(bench: ScreenBench, path: Path) -> Path:
    """The bench's log as a logbook, each entry at its time."""
    entries, clock = bench.log.entries, ManualClock()
    Logbook.create(path, [(kind, body) for _, _, kind, body in entries[:2]], clock, KEY).close()
    book = Logbook.open(path, clock, KEY)
    for _, at, kind, body in entries[2:]:
        book.append(kind, body, at)
    book.close()
    return path


def test_the_page_of_runs(timed: TimedBench, tmp_path: Path) -> None:
    timed.rise(62)
    path = on_disk(timed, tmp_path / "kiln.zerofirst")

    async def play(screen: AppBench) -> None:
        await screen.press("p")
        await screen.come("DAR 1.23")
        flat = " ".join(screen.text.split())
        assert "C1 insulation 500 V, line+neutral to earth, meter 0417: 30 s 130 MΩ [" in flat
        assert "10 min not reached" in flat
        assert "never a verdict" in flat

    run(play, opened=timed.opened(path))


def test_the_page_before_any_run(timed: TimedBench, tmp_path: Path) -> None:
    async def play(screen: AppBench) -> None:
        await screen.press("p")
        await screen.come("No run has reached 30 s yet.")
        assert "four times as long" in " ".join(screen.text.split())

    run(play, opened=timed.opened(on_disk(timed, tmp_path / "kiln.zerofirst")))
