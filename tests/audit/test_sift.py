"""What an auditor wants to see, found by words: every entry that fits and no other, a page at a time."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from working_day import Day, bad_days, good_day

from drivers.simulator.catalogue import load_site
from logger.audit import sift as module
from logger.audit.sift import Slice, Wanted, in_doubt, sift
from logger.audit.sift_words import Vocabulary, sentence_of
from logger.logbook.entries import Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.quantity import Test
from logger.rules.verdict import Verdict
from logger.screening import Reason

ITEMS = ("C1", "C2", "C3", "E1")


async def doubtful(day: Day) -> None:
    await day.take("C1", "insulation", "insulation", 4, voltage="500")
    day.hands("leads short")
    await day.wait(1)
    await day.do("prove", point="infinity", function="insulation", voltage="500")


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sift") / "job.db"
    good_day(path, 1, doubtful)
    return path


@pytest.fixture(scope="module")
def rough(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sift") / "rough.db"
    bad_days(path, 4)
    return path


def fits(entry: Entry, wanted: Wanted, doubted: frozenset[int]) -> bool:
    """The same said plainly, over one entry."""
    data = entry.data
    if entry.kind not in wanted.kinds or not wanted.first <= entry.number <= (wanted.last or entry.number):
        return False
    is_reading = entry.kind == Kind.READING
    return all(
        (
            not wanted.items or data.get("item") in wanted.items,
            not wanted.tests or data.get("test") in wanted.tests,
            not wanted.serials or data.get("serial") in wanted.serials,
            not wanted.functions or (is_reading and data.get("function") in wanted.functions),
            wanted.accepted is None or (is_reading and data["accepted"] is wanted.accepted),
            not wanted.reasons or (is_reading and bool(wanted.reasons & set(data["reasons"]))),
            not wanted.verdicts or (entry.kind == Kind.RESULT and data["verdict"] in wanted.verdicts),
            not wanted.in_doubt or entry.number in doubted,
        )
    )


def some(values: tuple[str, ...]) -> st.SearchStrategy[frozenset[str]]:
    return st.frozensets(st.sampled_from(values), max_size=2)


WANTED = st.builds(
    Wanted,
    kinds=st.sampled_from([frozenset({"reading", "result"}), frozenset({"reading"}), frozenset({"result", "damaged"})]),
    items=some(ITEMS),
    tests=some(tuple(map(str, (Test.INSULATION, Test.EARTH_CONTINUITY)))),
    functions=some(("insulation", "continuity")),
    serials=some(("0417", "0418")),
    accepted=st.sampled_from([None, None, True, False]),
    reasons=some(tuple(map(str, Reason))),
    verdicts=some(tuple(map(str, Verdict))),
    in_doubt=st.booleans(),
    first=st.integers(1, 1500),
    last=st.none() | st.integers(1, 1500),
)


def in_pages(path: Path, wanted: Wanted, page: int) -> list[int]:
    """Every entry, a page after the other."""
    found: list[int] = []
    below: int | None = None
    with LogbookReader.open(path) as reader:
        while True:
            slices: list[Slice] = list(sift(reader, wanted, below, page))
            own = [entry.number for each in slices for entry in each.entries]
            found += own
            if len(own) < page:
                return found
            below = slices[-1].down_to
            assert below == own[-1]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(wanted=Wanted(verdicts=frozenset({"meets"}), in_doubt=True), page=1, size=7)
@given(wanted=WANTED, page=st.integers(1, 400), size=st.sampled_from([7, 333, 20_000]))
def test_all_that_fits_and_nothing_else(day: Path, rough: Path, wanted: Wanted, page: int, size: int) -> None:
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(module, "SLICE_ENTRIES", size)
        for path in (day, rough):
            with LogbookReader.open(path) as reader:
                doubted = in_doubt(reader)
                expected = [entry.number for entry in reader.entries() if fits(entry, wanted, doubted)]
            assert in_pages(path, wanted, page) == expected[::-1]


def test_what_is_in_doubt(day: Path) -> None:
    with LogbookReader.open(day) as reader:
        result = reader.last(Kind.RESULT)
        assert result is not None
        found = in_doubt(reader)
        assert {result.number, result.data["reading"]} <= found
        assert all(reader.entry(number).kind in (Kind.RESULT, Kind.READING) for number in found)


def test_bodies_that_no_recorder_writes_stop_nothing(tmp_path: Path) -> None:
    path = tmp_path / "job.db"
    good_day(path, 1)
    with LogbookReader.open(path) as reader:
        numbers = [entry.number for entry in reader.entries(kinds=[Kind.READING])]
    import sqlite3

    with sqlite3.connect(path) as connection:
        connection.execute("DROP TRIGGER entries_are_not_changed")
        for number, body in zip(numbers, ("no JSON", '{"item":', "[]", '{"accepted": {}, "reasons": 7}'), strict=False):
            connection.execute("UPDATE entries SET body = ? WHERE number = ?", (body, number))
    connection.close()
    wanted = Wanted(accepted=False, reasons=frozenset({"not-proven"}))
    assert set(in_pages(path, wanted, 50)) < set(numbers[4:])


VOCABULARY = Vocabulary(load_site("pottery-studio").plan, ["0417"])

SAID = {
    "": ("Readings and results", {}),
    "C3": ("Readings and results on C3", {"items": {"C3"}}),
    "c1 C2 insulation": ("Readings and results on C1 or C2, insulation", {"items": {"C1", "C2"}}),
    "Earth-continuity": ("Readings and results, earth continuity", {"tests": {"earth-continuity"}}),
    "turned away because not proven": ("Readings, turned away: not proven", {"reasons": {"not-proven"}}),
    "proof-lapsed": ("Readings, turned away: proof lapsed", {"reasons": {"proof-lapsed"}}),
    "results in doubt": ("Results, in doubt", {"in_doubt": True}),
    "fails": ("Results, verdict fails", {"verdicts": {"fails"}}),
    "counts 0417": ("Readings, meter 0417, that count", {"serials": {"0417"}}),
    "damaged": ("Damaged bytes", {"kinds": {"damaged"}}),
    "readings 400-900": ("Readings, entries 400 to 900", {"first": 400, "last": 900}),
    "from 400": ("Readings and results, from entry 400 on", {"first": 400, "last": None}),
    "400 to 900": ("Readings and results, entries 400 to 900", {"last": 900}),
    "to 900": ("Readings and results, entries 1 to 900", {"last": 900}),
    "results turned away": ("Nothing: only readings are turned away, and only results have a verdict", {}),
}


@pytest.mark.parametrize("typed", SAID)
def test_words_and_what_they_mean(typed: str) -> None:
    understood = VOCABULARY.understand(typed)
    sentence, fields = SAID[typed]
    assert understood.sentence == sentence == sentence_of(understood.wanted)
    assert (understood.unknown, understood.unfinished) == ((), "")
    for name, value in fields.items():
        found = getattr(understood.wanted, name)
        assert (set(found) if isinstance(found, frozenset) else found) == value


@pytest.mark.parametrize(
    ("typed", "counts", "unfinished"),
    [
        ("c3 insu", {"insulation"}, ""),
        ("ins", {"insulation"}, ""),
        ("in", set(), "in"),
        ("earth", set(), "earth"),
        ("earth ele", {"earth-electrode"}, ""),
        ("insu c3", {"insulation"}, ""),
        ("insu ", {"insulation"}, ""),
        ("insul turned away", {"insulation"}, ""),
    ],
)
def test_half_typed_words_count_as_soon_as_they_mean_one_thing(typed: str, counts: set[str], unfinished: str) -> None:
    understood = VOCABULARY.understand(typed)
    assert (set(understood.wanted.tests), understood.unfinished) == (counts, unfinished)


def test_words_that_mean_nothing_are_named_and_passed_over() -> None:
    understood = VOCABULARY.understand("c3 glaze insulation kiln% ")
    assert understood.unknown == ("glaze", "kiln%")
    assert understood.sentence == "Readings and results on C3, insulation"


@given(st.text(max_size=60))
def test_any_words_are_understood_somehow(typed: str) -> None:
    understood = VOCABULARY.understand(typed)
    assert understood.sentence
    assert understood.wanted.first >= 0
