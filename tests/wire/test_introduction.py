"""Who is there, what it can do, and whether it is still there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from talk import METER, Meter, Talk, a_range, ev, holds_nothing, numbers, rd, said_id

from drivers.codecs import meter_words as words
from drivers.instrument import HELD_FRAMES_AT_MOST
from drivers.introduction import RANGES_AT_MOST
from drivers.meter_line import DRIVER
from logger.clock import NS_PER_S
from logger.happening import Damaged, Disconnected, Happening, Identified, RawBytes, Read, Ready, Reconnected

FUNCTIONS_END = words.end_frame("functions")
FN1, FN2 = words.range_frame(a_range("1", 20)), words.range_frame(a_range("2", 1000))


def kinds(happenings: Sequence[Happening]) -> list[str]:
    return [type(happening).__name__ for happening in happenings if not isinstance(happening, RawBytes)]


def test_the_driver_is_named_and_makes_fresh_conversations() -> None:
    assert (DRIVER.name, DRIVER.api_version) == ("meter-line", 1)
    first = DRIVER.converse("tcp:127.0.0.1:4000", 25, holds_nothing)
    first.connected(0)
    assert first.outgoing() == words.ask_frame("id")
    assert DRIVER.converse("tcp:127.0.0.1:4000", 25, holds_nothing).outgoing() == b""


def test_id_then_functions_then_run() -> None:
    talk = Talk(rate=25)
    assert talk.connect() == []
    assert talk.sent() == ["ask what=id"]
    assert kinds(talk.hear(said_id(), words.end_frame("id"))) == ["Identified"]
    assert talk.sent() == ["ask what=functions"]
    assert kinds(talk.hear(FN1, FN2)) == []
    assert kinds(talk.hear(FUNCTIONS_END)) == ["Ready"]
    assert talk.sent() == ["run rate=25"]
    (ready,) = talk.all(Ready)
    assert (ready.identity, ready.ranges) == (METER, (a_range("1", 20), a_range("2", 1000)))
    (identified,) = talk.all(Identified)
    assert (identified.identity, identified.new_boot) == (METER, True)
    assert talk.meter_line.outgoing() == b""


def test_an_unanswered_question_is_asked_three_times_a_second_apart_and_again_after_a_pause() -> None:
    talk = Talk()
    talk.connect()
    asked_at = []
    for tenth in range(100):
        asked_at += [tenth / 10] * len(talk.sent())
        talk.hear(b"?\n")  # it talks, so the line is not silent
        talk.wait(0.1)
    assert asked_at == [0.0, 1.0, 2.0, 7.0, 8.0, 9.0]


def test_functions_that_are_never_told_make_it_ready_without_ranges() -> None:
    talk = Talk()
    talk.connect()
    talk.hear(said_id())
    talk.sent()
    sent = []
    for _ in range(3):
        talk.wait(0.9)
        talk.hear(said_id())
        talk.wait(0.1)
        sent += talk.sent()
    assert sent == ["ask what=functions", "ask what=functions", "run rate=10"]
    assert [ready.ranges for ready in talk.all(Ready)] == [()]


def test_a_meter_that_refuses_to_tell_its_functions_is_ready_at_once() -> None:
    talk = Talk()
    talk.connect()
    talk.hear(said_id(), words.refusal_frame("unknown command"))
    assert [ready.ranges for ready in talk.all(Ready)] == [()]


def test_ranges_damaged_on_the_way_are_asked_for_again() -> None:
    talk = Talk()
    talk.connect()
    talk.hear(said_id(), FN1, b"@fn dama\n", FUNCTIONS_END)
    assert not talk.all(Ready)
    assert talk.sent() == ["ask what=id", "ask what=functions", "ask what=functions"]
    talk.hear(FN1, FN2, FUNCTIONS_END)
    assert [len(ready.ranges) for ready in talk.all(Ready)] == [2]


def test_a_meter_that_only_talks_is_ready_with_what_it_told_and_told_again_when_that_changes() -> None:
    talk = Talk()
    talk.connect()
    burst = (said_id(), FN1)
    talk.hear(*burst)
    for second in range(40):
        talk.wait(1)
        talk.hear(rd(second + 1), *(burst if second % 10 == 9 else ()))
    assert [ready.ranges for ready in talk.all(Ready)] == [(a_range("1", 20),)]
    talk.hear(FN1, FN2)
    talk.hear(words.range_frame(a_range("1", 30)))
    talk.wait(0.9)
    assert len(talk.all(Ready)) == 1
    talk.wait(0.2)
    assert [ready.ranges for ready in talk.all(Ready)][1:] == [(a_range("1", 30), a_range("2", 1000))]


def test_more_ranges_than_any_meter_has_are_not_kept() -> None:
    talk = Talk()
    talk.connect()
    talk.hear(said_id())
    for mark in range(RANGES_AT_MOST + 5):
        talk.hear(words.range_frame(a_range(str(mark), 20)))
    assert [damaged.why for damaged in talk.all(Damaged)] == ["more ranges than are kept"] * 5


def test_what_comes_before_the_identity_is_held_and_then_counted_with_its_own_time_and_place() -> None:
    talk = Talk()
    talk.connect()
    talk.now_ns = NS_PER_S // 10
    talk.hear(rd(41), ev(42))
    assert kinds(talk.happened) == []
    talk.now_ns = NS_PER_S // 5
    assert kinds(talk.hear(said_id(), rd(43))) == ["Identified", "Read", "Told", "Read"]
    assert numbers(talk.happened) == [41, 42, 43]
    first, second = talk.all(Read)
    assert (first.mono_ns, first.first, first.last) == (NS_PER_S // 10, 0, len(rd(41)))
    assert second.mono_ns == NS_PER_S // 5
    assert (first.serial, first.boot, first.repeat) == ("0417", "boot-a", False)


def test_what_cannot_be_held_any_longer_is_told_as_damaged_with_its_place() -> None:
    talk = Talk()
    talk.connect()
    for n in range(1, HELD_FRAMES_AT_MOST + 3):
        talk.hear(rd(n))
    assert [(d.first, d.last, d.why) for d in talk.all(Damaged)] == [
        (0, len(rd(1)), "before the meter said who it is"),
        (len(rd(1)), len(rd(1)) + len(rd(2)), "before the meter said who it is"),
    ]
    talk.hear(said_id())
    assert numbers(talk.happened) == list(range(3, HELD_FRAMES_AT_MOST + 3))


def test_battery_and_leads_that_change_are_told_without_a_new_boot() -> None:
    talk = Talk().ready()
    talk.hear(said_id())
    assert not talk.all(Identified)
    weaker = replace(METER, battery_percent=12)
    talk.hear(said_id(weaker))
    talk.hear(said_id(replace(weaker, leads="B")))
    assert [(i.identity.battery_percent, i.identity.leads, i.new_boot) for i in talk.all(Identified)] == [
        (12, "A", False),
        (12, "B", False),
    ]
    assert talk.sent() == []


def test_a_low_battery_makes_us_ask_and_the_answer_is_told_changed_or_not() -> None:
    talk = Talk().ready()
    talk.hear(ev(1, "battery-low"))
    assert talk.sent() == ["ask what=id"]
    talk.hear(said_id())
    assert [i.identity.battery_percent for i in talk.all(Identified)] == [METER.battery_percent]
    talk.hear(said_id())
    assert len(talk.all(Identified)) == 1


def test_a_new_boot_is_introduced_anew_and_its_numbers_are_owed_from_one() -> None:
    talk = Talk().ready()
    talk.hear(rd(500))
    talk.hear(said_id(replace(METER, boot="boot-b")))
    assert [i.new_boot for i in talk.all(Identified)] == [True]
    assert talk.sent() == ["ask what=functions"]
    talk.hear(FN1, FUNCTIONS_END)
    assert [ready.ranges for ready in talk.all(Ready)] == [(a_range("1", 20),)]
    assert talk.sent() == ["run rate=10"]
    talk.hear(rd(3))
    assert talk.sent() == ["ask what=stored from=1 to=2"]


def test_another_meter_on_the_line_is_a_new_identity_counted_from_what_it_says_first() -> None:
    talk = Talk().ready()
    talk.hear(rd(500))
    other = replace(METER, serial="0999", boot="boot-z")
    talk.hear(said_id(other), rd(70))
    assert [(i.identity, i.new_boot) for i in talk.all(Identified)] == [(other, True)]
    assert [(r.serial, r.boot, r.reading.n, r.repeat) for r in talk.all(Read)][1:] == [("0999", "boot-z", 70, False)]
    assert talk.sent() == ["ask what=functions"]


def test_a_number_that_falls_back_makes_us_ask_who_is_there_once_a_second_at_most() -> None:
    talk = Talk().ready()
    talk.hear(rd(500))
    talk.wait(1)
    for n in range(1, 20):
        talk.hear(rd(n))
        talk.wait(0.01)
    assert talk.sent() == ["ask what=id"]
    assert all(read.repeat for read in talk.all(Read)[1:])
    talk.hear(said_id(replace(METER, boot="boot-b")), FUNCTIONS_END)
    talk.sent()
    talk.hear(rd(20))
    assert talk.sent() == ["ask what=stored from=1 to=19"]


def test_a_meter_clock_that_falls_back_makes_us_ask_who_is_there() -> None:
    talk = Talk().ready()
    talk.hear(rd(5, ms=60_000))
    talk.wait(1)
    talk.hear(rd(6, ms=2_000))
    assert talk.sent() == ["ask what=id"]
    talk.hear(said_id())
    talk.wait(1)
    talk.hear(rd(7, ms=2_100))
    assert talk.sent() == []


def test_three_seconds_of_silence_are_a_loss_and_the_identity_ends_it() -> None:
    talk = Talk().ready()
    talk.wait(2)
    talk.hear(rd(1))
    talk.wait(2.9)
    assert not talk.all(Disconnected)
    assert [d.why for d in talk.wait(0.1) if isinstance(d, Disconnected)] == ["silent for 3 s"]
    assert talk.sent() == ["ask what=id"]
    assert kinds(talk.wait(3)) == []
    assert not talk.wants_reopening()
    talk.wait(1)
    assert talk.wants_reopening()
    talk.sent()
    assert kinds(talk.hear(rd(2))) == []
    assert not talk.wants_reopening()
    assert kinds(talk.hear(said_id())) == ["Reconnected", "Read"]
    assert talk.all(Reconnected)[0].away_ns == 7 * NS_PER_S
    assert talk.sent()[-1] == "run rate=10"


def test_bytes_after_a_long_silence_make_us_ask_at_once() -> None:
    talk = Talk().ready()
    talk.wait(11)  # asked at 3, 4 and 5 s, and again at 10 and 11
    talk.wait(1.5)  # the last of the round, at 12
    talk.wait(2)
    talk.sent()
    talk.hear(b"@rd n=")
    assert talk.sent() == ["ask what=id"]
    talk.hear(said_id())
    assert len(talk.all(Disconnected)) == len(talk.all(Reconnected)) == 1


def test_a_broken_link_is_told_once_and_the_same_boot_goes_on() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(2)[:20])
    talk.wait(1)
    assert kinds(talk.drop("the plug was pulled")) == ["Damaged", "Disconnected"]
    assert talk.drop("again") == []
    assert talk.meter_line.deadline_ns() is None
    assert talk.wait(30) == []
    assert talk.connect() == []
    assert talk.sent() == ["ask what=id"]
    assert kinds(talk.hear(said_id())) == ["Reconnected"]
    assert talk.sent() == ["run rate=10"]
    assert kinds(talk.hear(rd(4))) == ["Gap", "Read"]
    (half,) = talk.all(Damaged)
    assert talk.stream()[half.first : half.last] == rd(2)[:20]
    last = talk.all(Read)[-1]
    assert talk.stream()[last.first : last.last] == rd(4)


def test_silence_and_then_a_broken_link_are_one_loss() -> None:
    talk = Talk().ready()
    talk.wait(8)
    talk.drop("closed to open it again")
    talk.connect()
    talk.hear(said_id())
    assert len(talk.all(Disconnected)) == len(talk.all(Reconnected)) == 1


def test_a_link_opened_again_without_a_word_of_its_break_is_a_loss_too() -> None:
    talk = Talk().ready()
    talk.connect()
    assert [d.why for d in talk.all(Disconnected)] == ["the line was opened again"]


def test_a_meter_that_never_said_who_it_is_is_not_missed() -> None:
    talk = Talk()
    talk.connect()
    talk.wait(10)
    talk.drop()
    talk.connect()
    talk.hear(rd(7))
    talk.drop()
    assert kinds(talk.happened) == ["Damaged"]
    assert talk.all(Damaged)[0].why == "before the meter said who it is"


def test_functions_not_told_before_the_break_are_asked_after_it() -> None:
    talk = Talk()
    talk.connect()
    talk.hear(said_id())
    talk.drop()
    assert talk.sent() == []
    talk.connect()
    talk.hear(said_id())
    assert talk.sent() == ["ask what=id", "ask what=functions"]
    assert not talk.all(Ready)


def test_a_run_lost_on_the_way_is_sent_again_when_the_meter_idles() -> None:
    talk = Talk().ready()
    for _ in range(6):
        talk.wait(2)
        talk.hear(said_id())
    assert talk.sent() == ["run rate=10"] * 2
    talk.hear(rd(1))
    for _ in range(3):
        talk.wait(2)
        talk.hear(said_id())
    assert talk.sent() == []


def test_a_run_refused_is_not_sent_again() -> None:
    talk = Talk().ready()
    talk.hear(words.refusal_frame("cannot stream"))
    talk.wait(2)
    talk.hear(said_id())
    assert talk.sent() == []


def test_after_halt_nothing_is_sent() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(5))
    talk.meter_line.halt()
    assert talk.sent() == ["halt"]
    talk.wait(5)
    talk.hear(rd(9), said_id(replace(METER, boot="boot-b")))
    assert talk.sent() == []


@pytest.mark.parametrize("echoed", [True, False])
def test_our_own_words_echoed_by_the_line_say_nothing(echoed: bool) -> None:
    talk, meter = Talk(), Meter()
    talk.connect()
    for _ in range(4):
        heard = talk.meter_line.outgoing()
        talk.hear(*([heard] if echoed else []), *meter.answer(heard))
    talk.hear(meter.measure())
    assert kinds(talk.happened) == ["Identified", "Ready", "Read"]


def test_a_meter_whose_functions_are_still_awaited_is_not_ready_while_it_is_unknown_who_speaks() -> None:
    talk = Talk()
    talk.connect()
    talk.hear(said_id())
    talk.drop()
    talk.connect()
    for _ in range(5):
        talk.hear(b"?\n")
        talk.wait(1)
    assert not talk.all(Ready)
    assert "ask what=functions" not in talk.sent()


def test_bytes_that_come_after_a_missed_tick_do_not_hide_the_silence_before_them() -> None:
    talk = Talk().ready()
    talk.now_ns += 4 * NS_PER_S
    assert [type(h) for h in talk.hear(said_id())] == [Disconnected, RawBytes, Reconnected]


def test_bytes_read_before_the_last_tick_are_taken_with_their_own_time() -> None:
    """A reader thread stamps a chunk when it comes; the tick that overtakes it is later."""
    talk = Talk().ready()
    talk.now_ns = 9 * NS_PER_S
    talk.hear(said_id(), rd(1))
    talk.now_ns = 8 * NS_PER_S
    talk.hear(rd(2))
    assert talk.meter_line.deadline_ns() == 12 * NS_PER_S
    talk.now_ns = 9 * NS_PER_S
    talk.drop()
    talk.connect()
    talk.now_ns = 8 * NS_PER_S
    talk.hear(said_id())
    assert [back.away_ns for back in talk.all(Reconnected)][-1] == 0
