"""What the app decides without a screen: what it lets through, what it asks first, what it says of a slow disk."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import contextmanager
from typing import Any

import pytest
from screen_bench import ScreenBench

from logger.errors import InstrumentFailed
from logger.proof import Point
from logger.quantity import Function, Test
from tui.desk import BUSY_TOLD_S
from tui.wiring import Outcome


def ready(bench: ScreenBench) -> None:
    bench.isolate()
    bench.prove()
    bench.select(confirmed=False)
    bench.read("412")
    bench.look()


def test_take_is_blocked_until_the_caution_is_confirmed(bench: ScreenBench) -> None:
    ready(bench)
    bench.desk.take()
    assert "a caution stands" in bench.answer()
    assert not any(step["do"] == "take" for step in bench.sitting.steps)
    bench.desk.confirm()
    bench.look()
    bench.desk.take()
    assert bench.answer().startswith("Result C1 insulation")


def test_a_caution_is_confirmed_once_for_a_test(bench: ScreenBench) -> None:
    ready(bench)
    bench.desk.confirm()
    bench.step("select", item="C3", test="insulation")
    assert not bench.look().next_step.lines[0][0].text.startswith("Caution")
    bench.step("select", item="C3", test="polarity")
    assert bench.look().next_step.lines[0][0].text.startswith("Caution")


def test_yesterdays_confirmation_does_not_stand_today(bench: ScreenBench) -> None:
    """The log keeps every confirmation for ever; the caution stands anew whenever the app is opened."""
    bench.sitting.recorder.do({"do": "confirm", "caution": "insulation"})
    bench.sitting.recorder.drain()
    assert "insulation" in bench.sitting.state.confirmed
    bench.select(confirmed=False)
    assert bench.says("next").startswith("Caution")


def test_judging_is_blocked_by_the_caution_too(bench: ScreenBench) -> None:
    bench.select("C3", "polarity", confirmed=False)
    bench.look()
    bench.desk.judge("yes")
    assert "a caution stands" in bench.answer()
    bench.desk.confirm()
    bench.look()
    bench.desk.judge("yes")
    assert bench.answer().startswith("Result C3 polarity: yes")


def test_nothing_to_confirm_is_said(bench: ScreenBench) -> None:
    bench.look()
    bench.desk.confirm()
    assert "no caution stands" in bench.answer()


def test_a_check_goes_to_the_meter_function_and_voltage_that_the_job_waits_for(bench: ScreenBench) -> None:
    bench.select(voltage="250")
    bench.read("1.00", voltage="250")
    bench.desk.prove(Point.INFINITY)
    assert bench.sitting.steps[-1] == {
        "do": "prove",
        "point": "infinity",
        "function": "insulation",
        "meter": "0417",
        "voltage": "250",
    }


def test_a_check_on_another_setting_is_not_begun(bench: ScreenBench) -> None:
    bench.select()
    bench.read("0.20", Function.CONTINUITY, unit="Ohm")
    bench.desk.prove(Point.ZERO)
    assert "set the meter to insulation, 500 V first: it is on continuity" in bench.answer()
    assert not any(step["do"] == "prove" for step in bench.sitting.steps)


def test_a_check_without_a_meter_is_not_begun() -> None:
    bench = ScreenBench(connected=False)
    bench.look()
    bench.desk.prove(Point.ZERO)
    assert "no meter has said yet" in bench.answer()


def test_a_slip_that_would_cost_results_is_asked_about(bench: ScreenBench) -> None:
    ready(bench)
    bench.desk.confirm()
    bench.look()
    bench.desk.take()
    bench.read("412")
    assert "put 1 result in doubt" in bench.desk.doubt_about(Point.INFINITY)
    assert "412 MΩ" in bench.desk.doubt_about(Point.ZERO)
    bench.read("1000", relation="gt")
    assert bench.desk.doubt_about(Point.INFINITY) == ""
    bench.read("0.00")
    assert bench.desk.doubt_about(Point.ZERO) == ""


def test_a_slip_that_costs_nothing_is_not_asked_about(bench: ScreenBench) -> None:
    bench.select()
    bench.read("412")
    assert bench.desk.doubt_about(Point.INFINITY) == ""


def test_a_slip_that_would_end_the_proof_is_asked_about(bench: ScreenBench) -> None:
    bench.select()
    bench.prove()
    bench.read("412")
    assert "end the meter's proof" in bench.desk.doubt_about(Point.ZERO)


def test_a_live_test_before_its_dead_ones_is_asked_about(bench: ScreenBench) -> None:
    item = bench.sitting.state.plan.item("C3") if bench.sitting.state.plan else None
    assert item is not None
    assert "insulation has no result yet" in bench.desk.missing_before(item, Test.EARTH_LOOP)
    assert bench.desk.missing_before(item, Test.INSULATION) == ""


@contextmanager
def held(lock: Any) -> Any:
    """Somebody else holds the lock: the recorder, waiting for the disk."""
    taken, let_go = threading.Event(), threading.Event()

    def hold() -> None:
        with lock:
            taken.set()
            let_go.wait(10)

    thread = threading.Thread(target=hold)
    thread.start()
    taken.wait(10)
    try:
        yield
    finally:
        let_go.set()
        thread.join()


def test_a_slow_disk_is_told_within_three_seconds_and_the_screen_goes_on(bench: ScreenBench) -> None:
    bench.read("412")
    with held(bench.sitting.lock):
        bench.clock.advance(0.1)
        assert bench.look().trouble == ""
        bench.clock.advance(BUSY_TOLD_S)
        view = bench.look()
        assert view.trouble.startswith("The disk is slow")
        assert BUSY_TOLD_S + 0.1 < 3
        assert bench.desk.peek(lambda state: state.operator) is None
    assert bench.look().trouble == ""


def test_a_full_disk_is_told_in_the_sessions_words(bench: ScreenBench) -> None:
    bench.sitting.trouble = "The disk is full: make room."
    assert bench.look().trouble == "The disk is full: make room."
    assert bench.says("next").startswith("Caution: The disk is full: make room.")


def test_a_recording_that_ended_by_itself_is_told(bench: ScreenBench) -> None:
    bench.sitting.outcome = Outcome(error=InstrumentFailed("Recording ended by a fault"))
    assert bench.look().trouble.startswith("Recording has ended. Recording ended by a fault")


STEPS: list[tuple[str, Callable[[ScreenBench], None]]] = [
    ("take", lambda bench: bench.desk.take()),
    ("judge", lambda bench: bench.desk.judge("yes")),
    ("note", lambda bench: bench.desk.step("note", text="late")),
    ("select", lambda bench: bench.desk.select("C1", "insulation")),
    ("prove", lambda bench: bench.desk.prove(Point.ZERO)),
    ("key", lambda bench: bench.desk.key_in({"value": "1", "unit": "MOhm"})),
]


@pytest.mark.parametrize(("name", "want"), STEPS, ids=[name for name, _ in STEPS])
def test_a_closed_logbook_takes_nothing(name: str, want: Callable[[ScreenBench], None]) -> None:
    bench = ScreenBench()
    for item, test in (("C1", "insulation"), ("C3", "insulation"), ("C3", "polarity")):
        bench.step("skip", item=item, test=test, why="practice")
    bench.step("close")
    assert bench.desk.look() is not None
    assert bench.desk.is_closed
    before = len(bench.sitting.steps)
    want(bench)
    assert len(bench.sitting.steps) == before
    assert "the logbook is closed" in bench.answer() or "no meter" in bench.answer()
