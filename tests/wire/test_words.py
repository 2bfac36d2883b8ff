"""Frames to values and back, and content that is no message although its check holds."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from wire_tools import VECTORS, WRONG_WORDS, framed, line_of, only_frame

from drivers.codecs import meter_words as words
from drivers.codecs.meter_words import Ask, Halt, Run, Unknown, Word, interpret
from logger.errors import CannotSend, FrameWrong
from logger.quantity import UNITS, Displayed, Function, Relation
from logger.reading import Flag, Identity, MeterEvent, Range, Reading


def said_by(body: str) -> Word:
    return interpret(only_frame(framed(body)))


def frame_of(word: Word) -> bytes:
    match word:
        case Identity():
            return words.identity_frame(word)
        case Range():
            return words.range_frame(word)
        case Reading():
            return words.reading_frame(word)
        case MeterEvent():
            return words.event_frame(word)
        case words.AnswerEnd():
            return words.end_frame(word.of)
        case words.Refusal():
            return words.refusal_frame(word.why)
        case Ask():
            return words.ask_frame(word.what, word.low, word.high)
        case Run():
            return words.run_frame(word.rate)
        case Halt():
            return words.halt_frame()
        case Unknown():
            raise AssertionError("nothing says an unknown word")


@pytest.mark.parametrize("row", VECTORS, ids=lambda row: row["text"][:40])
def test_every_vector_to_a_value_and_back_to_the_same_bytes(row: dict[str, Any]) -> None:
    assert frame_of(interpret(only_frame(line_of(row)))) == line_of(row)


def test_the_values_of_the_vectors() -> None:
    said = [interpret(only_frame(line_of(row))) for row in VECTORS]
    assert said[0:5] == [Ask("id"), Ask("functions"), Run(5), Halt(), Ask("stored", 120, 180)]
    assert said[5] == Identity("0417", "9c41f2", "Example Works", "TM-2", "1.4", "2027-03-14", 87, "A")
    assert said[6] == Range(
        Function.INSULATION,
        "3",
        "MOhm",
        Decimal(0),
        Decimal(1000),
        Decimal(1),
        Decimal(3),
        Decimal(2),
        ("250", "500", "1000"),
    )
    assert said[7] == Reading(
        1042,
        Function.INSULATION,
        Displayed("512.3", "MOhm"),
        361520,
        "2",
        "500",
        "523",
        frozenset({Flag.STEADY}),
    )
    over = said[8]
    assert isinstance(over, Reading)
    assert over.value == Displayed("1000", "MOhm", Relation.ABOVE)
    assert said[9] == MeterEvent(1043, "leads-changed", 361900)
    assert said[10:] == [words.AnswerEnd("id"), words.Refusal("unknown command")]


@pytest.mark.parametrize("row", WRONG_WORDS, ids=lambda row: row["text"][:60])
def test_wrong_content_is_refused_by_the_name_of_its_field(row: dict[str, Any]) -> None:
    with pytest.raises(FrameWrong) as caught:
        interpret(only_frame(line_of(row)))
    assert caught.value.sentence == row["why"]


@pytest.mark.parametrize("text", ["0.00", "-0", "000.5", ".5", "5.", "-.5", "123456789012345678", "0." + "0" * 17])
def test_a_figure_keeps_its_digits(text: str) -> None:
    reading = said_by(f"rd n=1 fn=insulation r=eq v={text} u=MOhm")
    assert isinstance(reading, Reading)
    assert reading.value.text == text


@pytest.mark.parametrize("unit", UNITS)
def test_a_known_unit_that_does_not_suit_the_function_is_still_a_reading(unit: str) -> None:
    reading = said_by(f"rd n=1 fn=insulation r=eq v=1 u={unit}")
    assert isinstance(reading, Reading)
    assert reading.value.unit == unit


def test_what_a_later_version_adds_is_ignored() -> None:
    assert said_by("zz n=1 t=2") == Unknown("zz")
    assert said_by("rd n=12 fn=new-thing r=eq v=1 u=parsec") == Unknown("rd", 12)
    assert said_by("fn fn=new-thing u=parsec") == Unknown("fn")
    reading = said_by("rd n=1 fn=continuity r=eq v=0.31 u=Ohm f=steady,glowing,,nulled mood=good")
    assert isinstance(reading, Reading)
    assert reading.flags == {Flag.STEADY, Flag.NULLED}
    assert said_by("ev n=3 ev=window-opened") == MeterEvent(3, "window-opened")
    assert said_by("ask what=weather") == Ask("weather")


def test_left_out_and_empty_are_the_same() -> None:
    bare = said_by("rd n=1 fn=insulation r=eq v=1 u=MOhm")
    assert said_by("rd n=1 t= fn=insulation rg= r=eq v=1 u=MOhm vt= vm= f= temp= xi= ph= ir=") == bare
    assert said_by("id serial=1 boot=2") == said_by("id proto=1 maker= serial=1 boot=2 batt= cal= leads=")


@pytest.mark.parametrize(("text", "percent"), [("0", 0), ("100", 100), ("101", None), ("-1", None), ("low", None)])
def test_a_battery_that_is_no_percentage_is_unsaid(text: str, percent: int | None) -> None:
    identity = said_by(f"id proto=1 serial=1 boot=2 batt={text}")
    assert isinstance(identity, Identity)
    assert identity.battery_percent == percent


def test_a_resolution_of_nothing_is_unsaid() -> None:
    announced = said_by("fn fn=polarity u=1 min=0 max=1 res=0 acc=0 dig=0")
    assert isinstance(announced, Range)
    assert (announced.resolution, announced.percent, announced.digits) == (None, Decimal(0), Decimal(0))


FIGURES = st.from_regex(r"-?[0-9]{1,8}(\.[0-9]{1,8})?", fullmatch=True)
COUNTS = st.integers(1, 10**18 - 1)
TEXT = st.text(st.characters(codec="utf-8"), max_size=8)
MAYBE = st.none() | FIGURES
READINGS = st.builds(
    Reading,
    COUNTS,
    st.sampled_from(Function),
    st.builds(Displayed, FIGURES, st.sampled_from(sorted(UNITS)), st.sampled_from(Relation)),
    st.none() | COUNTS,
    TEXT,
    MAYBE,
    MAYBE,
    st.frozensets(st.sampled_from(Flag)),
    MAYBE,
    MAYBE,
    MAYBE,
    MAYBE,
)
FILLED_TEXT = TEXT.filter(bool)
PERCENTS = st.none() | st.integers(0, 100)
IDENTITIES = st.builds(Identity, FILLED_TEXT, FILLED_TEXT, TEXT, TEXT, TEXT, TEXT, PERCENTS, TEXT)
EVENTS = st.builds(MeterEvent, COUNTS, FILLED_TEXT, st.none() | COUNTS, TEXT)
RANGES = st.builds(
    Range,
    st.sampled_from(Function),
    TEXT,
    st.sampled_from(sorted(UNITS)),
    st.integers(-100, 0).map(Decimal),
    st.integers(0, 10**6).map(Decimal),
    st.none() | st.integers(1, 999).map(lambda n: Decimal(n).scaleb(-2)),
    st.none() | st.integers(0, 99).map(lambda n: Decimal(n).scaleb(-1)),
    st.none() | st.integers(0, 99).map(Decimal),
    st.lists(st.sampled_from(["250", "500", "1000"]), unique=True).map(tuple),
)


@given(st.one_of(READINGS, IDENTITIES, EVENTS, RANGES))
def test_any_value_comes_back_as_it_was_said(word: Word) -> None:
    try:
        line = frame_of(word)
    except CannotSend:
        assume(False)
    assert interpret(only_frame(line)) == word


FIELD_NAMES = (
    "n t fn rg r v u vt vm f temp xi ph ir ev why proto serial boot batt min max res acc dig of what from to rate"
)
FIELD_TEXTS = st.one_of(
    st.sampled_from(["1", "0", "-1", "1e9", "eq", "insulation", "MOhm", "500,1000", "stored", "nan", "9" * 19]), TEXT
)


@given(
    st.sampled_from(["rd", "ev", "id", "fn", "end", "err", "ask", "run", "halt", "x"]),
    st.dictionaries(st.sampled_from(FIELD_NAMES.split()), FIELD_TEXTS, max_size=8),
)
def test_any_fields_give_a_word_or_frame_wrong_and_nothing_else(frame_type: str, fields: dict[str, str]) -> None:
    from drivers.codecs.meter_line import Frame

    try:
        word = interpret(Frame(frame_type, fields, b"", 0, 0))
    except FrameWrong as error:
        assert error.sentence
        assert len(error.sentence) < 60
        return
    if isinstance(word, Reading):
        assert word.value.number.is_finite()
        assert word.value.unit in UNITS


@pytest.mark.parametrize(
    ("what", "low", "high"),
    [
        ("stored", None, None),
        ("stored", 5, 4),
        ("stored", 0, 4),
        ("stored", 3, None),
        ("id", 1, 2),
        ("weather", None, None),
        ("set", None, None),
    ],
)
def test_no_other_question_can_be_asked(what: str, low: int | None, high: int | None) -> None:
    with pytest.raises(CannotSend):
        words.ask_frame(what, low, high)


@pytest.mark.parametrize("rate", [0, -5, 501])
def test_no_other_rate_can_be_asked(rate: int) -> None:
    with pytest.raises(CannotSend):
        words.run_frame(rate)


def test_an_infinity_read_off_a_dial_is_not_sent() -> None:
    with pytest.raises(CannotSend):
        words.reading_frame(Reading(0, Function.INSULATION, Displayed("inf", "MOhm")))
