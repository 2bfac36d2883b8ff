"""The device's half of the protocol: what it announces, answers, streams and remembers, and that it is seeded."""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby, pairwise

import pytest
from host_side import Host, events, readings, types, words
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.codecs.meter_line import encode
from drivers.codecs.meter_words import (
    AnswerEnd,
    Refusal,
    ask_frame,
    end_frame,
    halt_frame,
    run_frame,
)
from drivers.simulator.catalogue import load_site
from drivers.simulator.memory import AT_ONCE
from drivers.simulator.meter import STEPS_PER_TICK_AT_MOST, SimulatedMeter
from drivers.simulator.site import Site
from logger.clock import NS_PER_S
from logger.quantity import Function, Relation
from logger.reading import Flag, Identity, Range, Reading

STUDIO = load_site("pottery-studio")


def with_meter(**changes: object) -> Site:
    return replace(STUDIO, meter=replace(STUDIO.meter, **changes))  # type: ignore[arg-type]


def host(**changes: object) -> Host:
    return Host(with_meter(**changes))


def test_it_says_who_it_is_at_start_up_and_whenever_it_was_silent() -> None:
    meter = host()
    (first,) = words(meter.listen())
    assert isinstance(first, Identity)
    assert (first.serial, first.model, first.battery_percent, first.leads) == ("0417", "TM-2", 87, "A")
    came_ns = [0]
    for _ in range(200):
        if meter.wait(0.1):
            came_ns.append(meter.now_ns)
    gaps = [later - earlier for earlier, later in pairwise(came_ns)]
    assert max(gaps) <= 2 * NS_PER_S
    assert set(types(meter.frames)) == {"id"}


def test_it_answers_who_it_is_and_what_it_can_do() -> None:
    meter = host()
    meter.listen()
    answer = words(meter.send(ask_frame("id")))
    assert isinstance(answer[0], Identity)
    assert answer[1:] == [AnswerEnd("id")]
    *ranges, end = words(meter.send(ask_frame("functions")))
    assert end == AnswerEnd("functions")
    assert all(isinstance(found, Range) for found in ranges)
    functions = {found.function for found in ranges if isinstance(found, Range)}
    assert {Function.INSULATION, Function.CONTINUITY, Function.EARTH_LOOP, Function.RCD_TIME} <= functions


@pytest.mark.parametrize("rate", [1, 5, 10, 50, 500])
def test_it_streams_at_the_rate_it_was_told_and_stops_when_told(rate: int) -> None:
    meter = host()
    meter.do("leads short")
    meter.send(run_frame(rate), 0)
    streamed = readings(meter.wait(3))
    assert len(streamed) == 3 * rate
    assert [reading.n for reading in streamed] == list(range(1, 3 * rate + 1))
    assert meter.meter.rate == rate
    meter.send(halt_frame(), 0)
    assert readings(meter.wait(3)) == []


def test_a_slower_meter_does_fewer() -> None:
    meter = host(rate_at_most=4)
    meter.do("leads short")
    meter.send(run_frame(500), 0)
    assert len(readings(meter.wait(5))) == 20


def test_a_reading_carries_all_that_belongs_to_it() -> None:
    meter = host()
    meter.do("link LK1 out", "leads C2 L+N/PE")
    meter.send(run_frame(10), 0)
    reading = readings(meter.wait(2))[-1]
    assert reading.function is Function.INSULATION
    assert (reading.value.unit, reading.value.relation) == ("MOhm", Relation.EQUAL)
    assert float(reading.value.text) == pytest.approx(0.18, abs=0.03)
    assert (reading.voltage, reading.range_mark, reading.temperature) == ("500", "1", "18.0")
    assert float(reading.output_voltage or 0) == pytest.approx(216, abs=5)
    assert reading.flags == {Flag.STEADY}
    assert reading.meter_ms == 2000


def test_open_leads_are_over_range_at_every_voltage() -> None:
    meter = host()
    for voltage in ("250", "500", "1000"):
        meter.do(f"function insulation {voltage}")
        meter.wait(0.6)
        meter.do("store")
        (reading,) = readings(meter.listen())
        assert (reading.value.relation, reading.value.text, reading.voltage) == (Relation.ABOVE, "1000", voltage)
        assert 1.0 <= float(reading.output_voltage or 0) / float(voltage) <= 1.25
        assert reading.flags == {Flag.STEADY, Flag.KEY}


def test_a_reading_on_cable_rises_and_then_holds_still() -> None:
    meter = host()
    meter.do("link LK1 out", "plug C2", "leads C2 N/PE")
    meter.send(run_frame(50), 0)
    streamed = readings(meter.wait(12))
    values = [reading.value.base for reading in streamed]
    assert values[0] < values[len(values) // 4] <= values[-1] * 2
    steady = [Flag.STEADY in reading.flags for reading in streamed]
    assert not any(steady[:25])
    assert all(steady[-25:])


def test_the_null_takes_the_leads_off_continuity_readings_only() -> None:
    meter = host()
    meter.do("function continuity", "leads short", "store")
    raw = readings(meter.listen())[-1]
    assert raw.value.number > 0
    meter.do("null", "store")
    nulled = readings(meter.listen())[-1]
    assert float(nulled.value.text) <= 0.02
    assert Flag.NULLED in nulled.flags
    meter.do("function insulation", "store")
    assert Flag.NULLED not in readings(meter.listen())[-1].flags
    meter.do("function continuity", "null off", "store")
    assert Flag.NULLED not in readings(meter.listen())[-1].flags


def test_a_live_supply_is_flagged_and_never_called_steady() -> None:
    meter = host()
    meter.do("supply on", "leads C1 L/PE")
    meter.send(run_frame(10), 0)
    for reading in readings(meter.wait(2)):
        assert reading.flags == {Flag.LIVE}
    meter.do("set Q0 off", "link LK1 out")
    assert Flag.LIVE not in readings(meter.wait(1))[-1].flags


def test_events_share_the_count_with_readings() -> None:
    meter = host()
    meter.listen()
    meter.do("leads short", "store", "change leads", "function continuity", "battery 12", "fault the fuse blew")
    meter.do("store", "leads open", "store")
    frames = meter.listen()
    assert events(frames) == ["leads-changed", "function-changed", "battery-low", "fault", "range-changed"]
    counted = [frame.fields["n"] for frame in frames if frame.type in ("rd", "ev")]
    assert counted == [str(n) for n in range(1, 9)]
    assert Flag.BATTERY_LOW in readings(frames)[-1].flags
    identities = [word for word in words(frames) if isinstance(word, Identity)]
    assert [(word.leads, word.battery_percent) for word in identities] == [("B", 87), ("B", 12)]


def test_a_reboot_starts_all_over() -> None:
    meter = host()
    meter.send(run_frame(10), 1)
    before = meter.meter.boot
    meter.do("reboot")
    (identity,) = words(meter.listen())
    assert isinstance(identity, Identity)
    assert identity.boot == meter.meter.boot != before
    assert readings(meter.wait(1)) == [], "it waits to be told to run"
    streamed = readings(meter.send(run_frame(10), 0.5))
    assert [(reading.n, reading.meter_ms) for reading in streamed][:2] == [(1, 1100), (2, 1200)]
    assert readings(meter.send(ask_frame("stored", 1, 3), 0))[0].n == 1


def test_it_sends_again_what_it_remembers_marked_as_such() -> None:
    meter = host()
    meter.do("leads short", "store")
    meter.do("change leads", "store", "store")
    live = {word.n: word for word in words(meter.listen()) if hasattr(word, "n")}
    frames = meter.send(ask_frame("stored", 2, 4))
    again = words(frames)
    assert again[-1] == AnswerEnd("stored")
    assert [word.n for word in again if hasattr(word, "n")] == [2, 3, 4]
    for word in again:
        if isinstance(word, Reading):
            assert Flag.STORED in word.flags
            assert replace(word, flags=word.flags - {Flag.STORED}) == live[word.n]


def test_it_forgets_what_is_too_old_and_says_no_more_than_it_has() -> None:
    meter = host(memory=50)
    meter.do("leads short")
    meter.send(run_frame(100), 1)
    meter.send(halt_frame())
    newest = meter.meter.n
    again = readings(meter.send(ask_frame("stored", 1, 10**9), 1))
    assert [reading.n for reading in again] == list(range(newest - 49, newest + 1))
    assert types(meter.send(ask_frame("stored", 10**6, 10**7))) == ["end"]
    assert types(host(memory=0).send(ask_frame("stored", 1, 5)))[-1:] == ["end"]


def test_a_long_memory_comes_in_portions_between_live_readings() -> None:
    meter = host()
    meter.do("leads short")
    meter.send(run_frame(500), 4)
    meter.frames.clear()
    meter.meter.receive(ask_frame("stored", 1, 2000), meter.now_ns)
    meter.wait(1)
    stored = [Flag.STORED in reading.flags for reading in readings(meter.frames)]
    assert sum(stored) == 2000
    runs = [len(list(run)) for is_stored, run in groupby(stored) if is_stored]
    assert max(runs) == AT_ONCE
    assert types(meter.frames).count("end") == 1


def test_too_many_questions_at_once_are_refused() -> None:
    meter = host()
    meter.do("leads short", "store")
    frames = meter.send(ask_frame("stored", 1, 1) * 20, 1)
    assert types(frames).count("end") == 8
    assert [word.why for word in words(frames) if isinstance(word, Refusal)] == ["busy"] * 12


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        (encode("dance", {}), "unknown command"),
        (encode("ask", {"what": "weather"}), "unknown question"),
        (encode("ask", {}), "missing: what"),
        (encode("ask", {"what": "stored", "from": "9", "to": "3"}), "not a span from 1 up: from, to"),
        (encode("run", {"rate": "501"}), "not 1 to 500: rate"),
        (encode("run", {"rate": "fast"}), "not a whole number: rate"),
    ],
)
def test_what_it_will_not_do_it_says(frame: bytes, why: str) -> None:
    meter = host()
    meter.listen()
    assert words(meter.send(frame)) == [Refusal(why)]


def test_its_own_words_coming_back_are_not_answered() -> None:
    meter = host()
    meter.do("leads short", "store")
    meter.listen()
    assert meter.send(bytes(meter.raw) + end_frame("id")) == []


@settings(max_examples=50)
@given(st.binary(max_size=600))
def test_no_bytes_harm_it(noise: bytes) -> None:
    meter = host()
    meter.meter.receive(noise, 0)
    assert AnswerEnd("id") in words(meter.send(b"\n" + ask_frame("id")))


def test_a_meter_that_only_talks_hears_nothing_and_introduces_itself_again_and_again() -> None:
    meter = host(talks_only=True, talk_rate=2)
    meter.do("leads short")
    start = types(meter.wait(0))
    assert start[0] == "id"
    assert "fn" in start
    meter.meter.receive(run_frame(50) + ask_frame("id") + halt_frame(), 0)
    frames = meter.wait(30.5)
    assert len(readings(frames)) == 61
    assert types(frames).count("id") == 3
    assert "end" not in types(meter.frames), "nobody asked"


def script(commands: list[tuple[float, str | bytes]], step_s: float, site: Site = STUDIO, seed: int = 5) -> bytes:
    """All bytes of a meter that is told these things at these times, with time looked at every `step_s`."""
    meter = Host(site, seed)
    for at_s, command in commands:
        meter.wait(at_s - meter.now_ns / NS_PER_S, step_s)
        if isinstance(command, bytes):
            meter.send(command, 0)
        else:
            meter.meter.command(command, meter.now_ns)
    meter.wait(2, step_s)
    return bytes(meter.raw)


DAY: list[tuple[float, str | bytes]] = [
    (0.1, run_frame(7)),
    (1.0, "leads short"),
    (2.0, "link LK1 out"),
    (2.5, "leads C3"),
    (5.0, "line bit-flip 3"),
    (5.2, "line split 2"),
    (6.0, "function continuity"),
    (7.0, "line noise 2"),
    (8.0, "reboot"),
    (8.5, run_frame(20)),
    (9.0, ask_frame("stored", 1, 5)),
    (10.0, "battery 10"),
]


def test_the_same_seed_and_commands_give_the_same_bytes_however_often_time_is_looked_at() -> None:
    first = script(DAY, 0)
    assert len(first) > 5000
    assert script(DAY, 0) == first
    assert script(DAY, 0.013) == first
    assert script(DAY, 0, seed=6) != first


def test_a_long_sleep_is_not_made_up_for_reading_by_reading() -> None:
    meter = SimulatedMeter(STUDIO)
    meter.receive(run_frame(500), 0)
    meter.outgoing()
    meter.tick(3600 * NS_PER_S)
    assert STEPS_PER_TICK_AT_MOST - 10 < meter.n < STEPS_PER_TICK_AT_MOST + 10
    before = meter.n
    meter.tick(3601 * NS_PER_S)
    assert meter.n - before == pytest.approx(500, abs=2)


def test_bytes_that_nobody_fetches_do_not_pile_up() -> None:
    meter = SimulatedMeter(STUDIO)
    meter.receive(run_frame(500), 0)
    for second in range(1, 60):
        meter.tick(second * NS_PER_S)
    assert len(meter.outgoing()) < 1_100_000
