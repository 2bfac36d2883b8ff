"""The bridge between threads, and the short memory behind the screen."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from screen_bench import ScreenBench

from logger.quantity import Function
from logger.reading import Flag
from logger.recorder.event import Event
from logger.settling import WINDOW_S
from tui.live import LOG_LINES_REMEMBERED, Live, MeterLive, seen_from
from tui.motion import Motion, heading_for, motion
from tui.pump import OTHERS_AT_MOST, READINGS_AT_MOST, Pump
from tui.view import text_of

S = 1_000_000_000


def event(name: str, n: int = 0, **fields: Any) -> Event:
    return Event(name, f"2027-03-01T09:00:{n % 60:02}.000000Z", n, fields)


def reading(value: str, n: int = 0, relation: str = "eq", **more: Any) -> Event:
    fields: dict[str, Any] = {
        "serial": "0417",
        "n": n,
        "function": "insulation",
        "relation": relation,
        "value": value,
        "unit": "MOhm",
        "voltage": "500",
        "accepted": True,
        "reasons": [],
        "item": "C1",
        "test": "insulation",
        "between": "L+N/PE",
        "origin": "meter",
        "selection": 7,
    }
    return Event("reading", event("", n).at, n, {**fields, **more})


def test_events_come_out_in_the_order_in_which_they_went_in() -> None:
    pump = Pump()
    events = [reading(str(n), n) if n % 3 else event("noted", n, text="x") for n in range(50)]
    pump.publish(events)
    assert pump.drain() == events
    assert pump.drain() == []


def test_a_screen_that_stalls_loses_old_readings_and_keeps_the_rest() -> None:
    pump = Pump()
    pump.publish([event("noted", 0, text="kept")])
    pump.publish([reading(str(n), n) for n in range(READINGS_AT_MOST + 10)])
    got = pump.drain()
    assert len(got) == READINGS_AT_MOST + 1
    assert got[0].name == "noted"
    assert got[-1].entry == READINGS_AT_MOST + 9
    pump.publish([event("noted", n, text="x") for n in range(OTHERS_AT_MOST + 5)])
    assert len(pump.drain()) == OTHERS_AT_MOST


def test_one_thread_fills_while_another_empties() -> None:
    pump = Pump()
    sent = 4000
    got: list[Event] = []

    def fill() -> None:
        for n in range(sent):
            pump.publish([event("noted", n, text="x")])

    thread = threading.Thread(target=fill)
    thread.start()
    while thread.is_alive() or not got or got[-1].entry != sent - 1:
        got += pump.drain()
    thread.join()
    assert [each.entry for each in got] == list(range(sent))


def test_a_run_of_readings_is_one_log_line() -> None:
    live = Live()
    for n in range(30):
        live.take(reading(str(400 + n), n), n)
    live.take(event("noted", 31, text="between"), 31)
    live.take(reading("430", 32), 32)
    assert [(logged.event.name, logged.count) for logged in live.log] == [("reading", 30), ("noted", 1), ("reading", 1)]
    assert live.log[0].event.fields["value"] == "429"


def test_two_meters_side_by_side_are_two_lines() -> None:
    live = Live()
    for n in range(20):
        live.take(reading("1", n, serial="A" if n % 2 else "B"), n)
    assert sorted((logged.event.fields["serial"], logged.count) for logged in live.log) == [("A", 10), ("B", 10)]


def test_the_log_is_bounded() -> None:
    live = Live()
    for n in range(LOG_LINES_REMEMBERED + 50):
        live.take(event("noted", n, text=str(n)), n)
    assert len(live.log) == LOG_LINES_REMEMBERED


def test_readings_from_memory_are_logged_and_move_nothing() -> None:
    live = Live()
    live.take(reading("412", 1), 1)
    live.take(reading("9", 2, flags=["stored"]), 2)
    assert live.newest is not None
    assert live.newest.value.text == "412"
    assert len(live.log) == 1


def test_an_answer_is_news_for_a_while() -> None:
    live = Live()
    live.take(event("refused", 1, do="take", why="not yet"), 0)
    assert live.fresh_answer(7 * S) is not None
    assert live.fresh_answer(9 * S) is None


def shown(values: list[tuple[float, str]], **more: Any) -> MeterLive:
    """A meter that has shown these, each at so many seconds."""
    meter = MeterLive()
    for n, (at, value) in enumerate(values):
        meter.take(seen_from(reading(value, n, **more), round(at * S)))
    return meter


def each_half_second(values: list[str]) -> list[tuple[float, str]]:
    return [(place / 2, value) for place, value in enumerate(values)]


CHARGING = [f"{400 * (1 - 0.7**n) + 10:.0f}" for n in range(9)]
"""A long cable: the reading closes in on 410."""


@pytest.mark.parametrize(
    ("values", "doing"),
    [
        (["412", "413", "411", "412", "412", "411", "412", "413"], Motion.STEADY),
        (["100", "150", "145", "200", "240", "235", "280", "300"], Motion.RISING),
        (["900", "700", "600", "550", "500", "450", "400", "350"], Motion.FALLING),
        (["100", "300", "150", "400", "100", "500", "200", "600"], Motion.MOVING),
        (CHARGING, Motion.RISING),
        (["412"], Motion.UNKNOWN),
        (["412", "412", "412"], Motion.UNKNOWN),
    ],
)
def test_steady_or_moving_and_which_way(values: list[str], doing: Motion) -> None:
    assert motion(shown(each_half_second(values)), 4 * S)[0] is doing


def test_how_long_it_has_been_steady() -> None:
    doing, held_s = motion(shown(each_half_second(["412"] * 13)), 6 * S)
    assert (doing, held_s) == (Motion.STEADY, 6.0 - WINDOW_S)


def test_the_meters_own_word_counts() -> None:
    assert motion(shown([(0, "1"), (1, "50")], flags=["steady"]), 3 * S) == (Motion.STEADY, 3.0)


def test_over_range_is_neither() -> None:
    assert motion(shown([(0, "1000"), (3, "1000")], relation="gt"), 3 * S)[0] is Motion.UNKNOWN


def test_a_moving_reading_is_told_where_it_seems_to_end_and_a_steady_one_is_not() -> None:
    end = heading_for(shown(each_half_second(CHARGING)))
    assert end == pytest.approx(410e6, rel=0.05)
    assert heading_for(shown(each_half_second(["412"] * 9))) is None


def test_another_voltage_or_a_lost_line_begins_anew() -> None:
    meter = shown(each_half_second(["412"] * 9))
    meter.take(seen_from(reading("412", 10, voltage="250"), 5 * S))
    assert motion(meter, 5 * S)[0] is Motion.UNKNOWN
    meter = shown(each_half_second(["412"] * 9))
    meter.unsettle()
    assert motion(meter, 5 * S)[0] is Motion.UNKNOWN


def test_the_end_value_is_a_help_and_never_a_result(bench: ScreenBench) -> None:
    bench.isolate()
    bench.prove()
    bench.select("C3")
    for value in CHARGING:
        bench.pass_time(0.5)
        bench.read(value)
    beside = text_of(bench.look().we_see.beside)
    assert beside.startswith("still rising\ntowards 4")
    assert all(len(row) <= 23 for row in beside.split("\n"))
    assert "wait until it is steady: it is still rising" in bench.says("next")
    bench.step("take")
    assert bench.sitting.state.results[-1].body["value"] == CHARGING[-1]


def test_the_screen_of_a_bench_is_what_the_log_says(bench: ScreenBench) -> None:
    bench.read("412", flags=(Flag.STEADY,))
    view = bench.look()
    assert view.we_see.figure == "412"
    assert bench.desk.live.newest is not None
    assert bench.desk.live.newest.function is Function.INSULATION
    assert [line.entry for line in view.log] == sorted((line.entry or 0 for line in view.log), reverse=True)
