"""Gaps, what comes back, what does not, and what is asked for how often."""

from __future__ import annotations

from dataclasses import replace

import pytest
from talk import METER, Talk, ev, numbers, rd, said_id

from drivers.codecs.meter_line import encode
from drivers.codecs.meter_words import end_frame, refusal_frame
from drivers.numbering import GAP_AT_MOST, HOLE_AT_MOST, HOLES_AT_MOST, Hole, Numbering, Taken
from logger.happening import Filled, Gap, Lost, Read, Told
from logger.reading import Flag

END = end_frame("stored")


def back(n: int) -> bytes:
    return rd(n, Flag.STORED)


def spans(talk: Talk, kind: type[Gap] | type[Filled] | type[Lost]) -> list[tuple[int, int]]:
    return [(span.low, span.high) for span in talk.all(kind)]


def test_a_gap_is_told_asked_for_and_filled() -> None:
    talk = Talk().ready()
    talk.hear(rd(10), rd(14))
    assert spans(talk, Gap) == [(11, 13)]
    assert talk.sent() == ["ask what=stored from=11 to=13"]
    talk.hear(back(11), ev(12))
    assert not talk.all(Filled)
    talk.hear(back(13), END)
    assert spans(talk, Filled) == [(11, 13)]
    assert not talk.all(Lost)
    assert numbers(talk.happened) == [10, 14, 11, 12, 13]
    assert talk.sent() == []


def test_what_the_meter_no_longer_has_is_lost_piece_by_piece() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(10))
    talk.hear(back(4), back(5), back(8), END)
    assert spans(talk, Filled) == [(4, 5), (8, 8)]
    assert spans(talk, Lost) == [(2, 3), (6, 7), (9, 9)]
    assert talk.sent() == ["ask what=stored from=2 to=9"]


@pytest.mark.parametrize("answer", [END, refusal_frame("no memory")])
def test_nothing_or_a_refusal_is_a_loss(answer: bytes) -> None:
    talk = Talk().ready()
    talk.wait(1.5)
    talk.hear(rd(1), rd(3))
    talk.hear(answer)
    assert spans(talk, Lost) == [(2, 2)]


def test_a_refusal_right_after_run_is_not_taken_for_the_answer_to_the_ask() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(3))
    talk.hear(refusal_frame("cannot stream so fast"))
    assert not talk.all(Lost)
    talk.hear(refusal_frame("no memory"))
    assert spans(talk, Lost) == [(2, 2)]


def test_no_answer_is_asked_for_three_times_and_then_lost() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(3))
    sent = []
    for _ in range(4):
        sent.append(talk.sent())
        talk.hear(said_id())
        talk.wait(1)
    assert sent == [["ask what=stored from=2 to=2"]] * 3 + [[]]
    assert spans(talk, Lost) == [(2, 2)]


def test_an_answer_under_way_is_waited_for() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(12))
    talk.sent()
    for n in range(2, 12):
        talk.wait(0.9)
        talk.hear(back(n))
    assert talk.sent() == []
    assert spans(talk, Filled) == [(2, 11)]


def test_damage_in_the_answer_is_asked_for_again_and_only_what_is_missing() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(6))
    hurt = back(3).replace(b"n=3", b"n=9")
    talk.hear(back(2), hurt, back(4), back(5), END)
    assert not talk.all(Lost)
    assert talk.sent() == ["ask what=stored from=2 to=5", "ask what=stored from=3 to=3"]
    talk.hear(back(3), END)
    assert spans(talk, Filled) == [(2, 5)]


def test_damage_in_every_answer_ends_in_a_loss() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(3))
    for _ in range(3):
        talk.hear(b"?\n", END)
    assert len(talk.sent()) == 3
    assert spans(talk, Lost) == [(2, 2)]


def test_one_ask_is_pending_at_a_time_and_the_next_follows() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(3), rd(5), rd(7))
    assert spans(talk, Gap) == [(2, 2), (4, 4), (6, 6)]
    assert talk.sent() == ["ask what=stored from=2 to=2"]
    talk.hear(back(2), END)
    assert talk.sent() == ["ask what=stored from=4 to=4"]
    talk.hear(END)
    assert talk.sent() == ["ask what=stored from=6 to=6"]
    assert spans(talk, Lost) == [(4, 4)]


def test_the_late_end_of_an_earlier_answer_does_not_end_the_next() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(3))
    talk.wait(1)  # asked again
    talk.hear(back(2))  # filled before its end came
    talk.hear(rd(5))
    assert talk.sent() == ["ask what=stored from=2 to=2"] * 2 + ["ask what=stored from=4 to=4"]
    talk.hear(END, back(2), END)  # both ends of the earlier answers
    assert not talk.all(Lost)
    talk.hear(back(4), END)
    assert spans(talk, Filled) == [(2, 2), (4, 4)]


def test_a_gap_within_what_comes_back_and_one_that_comes_by_itself() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(5), rd(9))
    assert spans(talk, Gap) == [(2, 4), (6, 8)]
    talk.hear(back(2), rd(6), rd(7), rd(8))  # late, and not asked for yet
    assert spans(talk, Filled) == [(6, 8)]
    talk.hear(back(4), END)
    assert spans(talk, Lost) == [(3, 3)]
    assert talk.sent() == ["ask what=stored from=2 to=4"]


def test_repeats_of_readings_are_told_as_such_and_repeats_of_events_are_not() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), ev(2), rd(1), ev(2), back(1))
    assert [(read.reading.n, read.repeat) for read in talk.all(Read)] == [(1, False), (1, True), (1, True)]
    assert len(talk.all(Told)) == 1


def test_what_was_lost_and_comes_after_all_is_not_counted() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(3))
    talk.hear(END)
    talk.hear(back(2))
    assert spans(talk, Lost) == [(2, 2)]
    assert [read.repeat for read in talk.all(Read) if read.reading.n == 2] == [True]


def test_counting_begins_with_what_is_seen_first_or_goes_on_where_the_logbook_ends() -> None:
    fresh = Talk().ready()
    fresh.hear(rd(500))
    assert not fresh.all(Gap)
    asked_of: list[tuple[str, str]] = []

    def resume(serial: str, boot: str) -> int:
        asked_of.append((serial, boot))
        return 480

    resumed = Talk(resume).ready()
    resumed.hear(rd(480), rd(500))
    assert asked_of == [("0417", "boot-a")]
    assert spans(resumed, Gap) == [(481, 499)]
    assert [read.repeat for read in resumed.all(Read)] == [True, False]


def test_a_gap_wider_than_is_asked_for_is_lost_but_for_its_newest_part() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(1_000_000))
    assert spans(talk, Lost) == [(2, 999_999 - GAP_AT_MOST)]
    assert spans(talk, Gap) == [(1_000_000 - GAP_AT_MOST, 999_999)]
    assert talk.sent() == [
        f"ask what=stored from={1_000_000 - GAP_AT_MOST} to={1_000_000 - GAP_AT_MOST + HOLE_AT_MOST - 1}"
    ]


def test_a_number_out_of_all_proportion_takes_no_time() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), ev(10**15), ev(10**15 + 10**9))
    assert spans(talk, Lost) == [(2, 10**15 - 1 - GAP_AT_MOST), (10**15 + 1, 10**15 + 10**9 - 1 - GAP_AT_MOST)]


def test_a_new_boot_gives_up_what_the_old_one_owed() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(5), back(3))
    talk.hear(said_id(replace(METER, boot="boot-b")))
    assert [(lost.boot, lost.low, lost.high) for lost in talk.all(Lost)] == [("boot-a", 2, 2), ("boot-a", 4, 4)]
    assert [(filled.boot, filled.low, filled.high) for filled in talk.all(Filled)] == [("boot-a", 3, 3)]


def test_what_was_asked_before_a_break_is_asked_again_after_it() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(5))
    talk.sent()
    talk.drop()
    talk.wait(60)
    talk.connect()
    talk.hear(said_id())
    assert talk.sent() == ["ask what=id", "run rate=10", "ask what=stored from=2 to=4"]
    assert not talk.all(Lost)


def test_a_reading_of_a_function_not_yet_known_is_no_gap() -> None:
    talk = Talk().ready()
    unknown = encode("rd", {"n": "2", "fn": "new-thing", "r": "eq", "v": "1", "u": "Ohm"})
    talk.hear(rd(1), unknown, rd(3))
    assert numbers(talk.happened) == [1, 3]
    assert not talk.all(Gap)


def test_a_reading_that_is_no_message_is_asked_for_again() -> None:
    talk = Talk().ready()
    wrong = encode("rd", {"n": "2", "fn": "insulation", "r": "eq", "v": "1e9", "u": "MOhm"})
    talk.hear(rd(1), wrong, rd(3))
    assert spans(talk, Gap) == [(2, 2)]


def test_a_hole_knows_what_came_and_what_did_not() -> None:
    hole = Hole(10, 20)
    assert [n for n in range(5, 25) if hole.take(n) and n % 3] == [n for n in range(10, 21) if n % 3]
    assert (hole.missing, hole.came()) == ([], [(10, 20)])
    hole = Hole(10, 20)
    for n in (10, 12, 13, 20, 16):
        assert hole.take(n)
        assert not hole.take(n)
    assert hole.missing == [(11, 11), (14, 15), (17, 19)]
    assert hole.came() == [(10, 10), (12, 13), (16, 16), (20, 20)]


def test_more_holes_than_are_kept_give_up_the_oldest() -> None:
    book = Numbering(0)
    for n in range(2, 2 * HOLES_AT_MOST + 1, 2):
        assert book.take(n) == Taken(gap=(n - 1, n - 1))
    over = 2 * HOLES_AT_MOST + 2
    assert book.take(over) == Taken(gap=(over - 1, over - 1), lost=((1, 1),))


def test_ends_owed_on_a_broken_line_may_come_on_the_next_and_settle_nothing_there() -> None:
    talk = Talk().ready()
    talk.hear(rd(1), rd(3))
    for _ in range(3):
        talk.wait(1)
        talk.hear(said_id())
    assert spans(talk, Lost) == [(2, 2)]
    talk.drop()
    talk.connect()
    talk.hear(said_id(), rd(4), rd(6))
    talk.hear(END)
    assert spans(talk, Lost) == [(2, 2)]
    for _ in range(3):
        talk.wait(1)
        talk.hear(said_id())
    assert spans(talk, Lost) == [(2, 2), (5, 5)]
