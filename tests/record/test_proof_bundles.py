"""One entry is shown to stand in a logbook, without the logbook; nothing else passes for such a proof."""

from __future__ import annotations

import json
import random
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_kit import KEY, OTHER_KEY, forging, logbook_of, raw, rows_of

sys.path.insert(0, str(Path(__file__).parent.parent / "outside"))
from outside_verifier import complaints_about_bundle

from logger.clock import ManualClock
from logger.errors import InputWrong, LogbookDamaged, ZerofirstError
from logger.logbook.bundle_file import load_bundle, write_bundle
from logger.logbook.entries import Kind
from logger.logbook.proofs import Bundle, check, prove, read_bundle
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return logbook_of(tmp_path_factory.mktemp("proofs") / "kiln.logbook", 700, seal=True)


@pytest.fixture(scope="module")
def text(sealed: Path) -> str:
    return bundle_of(sealed, 301).text()


def bundle_of(path: Path, number: int) -> Bundle:
    with LogbookReader.open(path) as reader:
        return prove(reader, number)


def test_every_entry_can_be_proven_to_us_and_to_an_outsider(sealed: Path) -> None:
    rows = rows_of(sealed)
    for number in [*range(1, len(rows), 17), 256, 257, len(rows) - 1]:
        bundle = read_bundle(bundle_of(sealed, number).text())
        proven = check(bundle, KEY.vkey)
        assert (proven.entry.number, proven.entry.at, proven.entry.kind, proven.entry.body) == rows[number - 1][:4]
        assert complaints_about_bundle(bundle.text(), KEY.vkey) == []


def test_a_bundle_holds_what_the_record_promises(text: str) -> None:
    found = json.loads(text)
    assert set(found) == {"entry", "index", "size", "proof", "note", "vkey"}
    assert set(found["entry"]) == {"number", "at", "kind", "body"}
    assert found["index"] == found["entry"]["number"] - 1 == 300
    assert isinstance(found["entry"]["body"], str)


def test_the_seal_itself_and_what_does_not_exist(sealed: Path) -> None:
    size = len(rows_of(sealed))
    with LogbookReader.open(sealed) as reader:
        for number in (size, size + 1, 0, -4, 2**64):
            with pytest.raises(InputWrong):
                prove(reader, number)
        with pytest.raises(InputWrong, match=f"Entry {size} is the seal"):
            prove(reader, size)


def test_without_a_checkpoint_there_is_nothing_to_prove(tmp_path: Path) -> None:
    unsigned = logbook_of(tmp_path / "unsigned.logbook", 20, key=None)
    with LogbookReader.open(unsigned) as reader, pytest.raises(InputWrong, match="no signed checkpoint"):
        prove(reader, 3)


def test_an_altered_entry_cannot_be_proven(sealed: Path, tmp_path: Path) -> None:
    path = tmp_path / "altered.logbook"
    path.write_bytes(sealed.read_bytes())
    with forging(path) as connection:
        connection.execute("UPDATE entries SET body = '{}' WHERE number = 301")
    with LogbookReader.open(path) as reader, pytest.raises(LogbookDamaged, match="Entry 301"):
        prove(reader, 301)


def test_the_key_asked_for_must_have_signed(text: str) -> None:
    with pytest.raises(LogbookDamaged, match="signed by another key"):
        check(read_bundle(text), OTHER_KEY.vkey)
    with pytest.raises(InputWrong, match="no verifier key"):
        check(read_bundle(text), "not a key")


def test_a_bundle_signed_again_by_somebody_else_needs_the_key(sealed: Path, tmp_path: Path) -> None:
    path = tmp_path / "other.logbook"
    with Logbook.create(path, [(Kind.JOB, {"title": "invented"})], ManualClock(), OTHER_KEY) as logbook:
        logbook.checkpoint()
    bundle = bundle_of(path, 1)
    assert check(bundle).key == OTHER_KEY.verifier, "it agrees with itself"
    with pytest.raises(LogbookDamaged):
        check(bundle, KEY.vkey)


def leaves_of(found: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(found, dict):
        return [path for key, value in found.items() for path in leaves_of(value, (*at, key))]
    if isinstance(found, list):
        return [path for key, value in enumerate(found) for path in leaves_of(value, (*at, key))]
    return [at]


def changed(found: Any, path: tuple[Any, ...], value: Any) -> str:
    copy = json.loads(json.dumps(found))
    inner = copy
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value(inner[path[-1]])
    return json.dumps(copy)


CHANGES: list[Any] = [
    lambda value: value + 1 if isinstance(value, int) else f"{value}x",
    lambda value: value - 1 if isinstance(value, int) else value[:-1],
    lambda value: str(value) if isinstance(value, int) else 5,
    lambda _: None,
    lambda value: [value],
    lambda value: -value if isinstance(value, int) else value.swapcase(),
    lambda value: float(value) if isinstance(value, int) else f" {value}",
]


def test_every_field_changed_in_every_way_is_refused(text: str) -> None:
    found = json.loads(text)
    for path in leaves_of(found):
        for change in CHANGES:
            forged = changed(found, path, change)
            with pytest.raises((InputWrong, LogbookDamaged)):
                check(read_bundle(forged))
            assert complaints_about_bundle(forged), path


def test_every_flipped_bit_is_refused_or_no_change(text: str) -> None:
    data, found = text.encode(), json.loads(text)
    rng = random.Random(5)
    for position in range(len(data)):
        flipped = bytearray(data)
        flipped[position] ^= 1 << rng.randrange(8)
        try:
            forged = flipped.decode()
            check(read_bundle(forged))
        except (UnicodeDecodeError, ZerofirstError):
            continue
        assert json.loads(forged) == found, "white space between fields"


@pytest.mark.parametrize(
    "forge",
    [
        lambda found: found | {"extra": 1},
        lambda found: found | {"entry": found["entry"] | {"leaf": "x"}},
        lambda found: found | {"proof": found["proof"][::-1]},
        lambda found: found | {"proof": found["proof"][:-1]},
        lambda found: found | {"proof": [*found["proof"], found["proof"][0]]},
        lambda found: found | {"proof": []},
        lambda found: {key: value for key, value in found.items() if key != "note"},
        lambda found: found | {"size": True},
    ],
)
def test_forged_shapes_are_refused(text: str, forge: Any) -> None:
    forged = json.dumps(forge(json.loads(text)))
    with pytest.raises((InputWrong, LogbookDamaged)):
        check(read_bundle(forged))
    assert complaints_about_bundle(forged)


def test_a_field_that_stands_twice_is_refused(text: str) -> None:
    with pytest.raises(InputWrong):
        read_bundle(text.replace('"index"', '"index": 7, "index"', 1))


FIELDS = st.sampled_from(["entry", "index", "size", "proof", "note", "vkey", "number", "at", "kind", "body"])
SHAPES = st.recursive(
    st.none() | st.integers() | st.text(), lambda inner: st.lists(inner) | st.dictionaries(FIELDS, inner)
)


@given(st.text() | SHAPES.map(json.dumps))
def test_anything_at_all_ends_in_one_sentence(text: str) -> None:
    try:
        check(read_bundle(text))
    except ZerofirstError as error:
        assert error.exit_code in (2, 4)
        assert "\n" not in str(error)


def test_deep_nesting_and_huge_numbers_end_in_one_sentence() -> None:
    for text in ("[" * 200_000, '{"index": ' + "9" * 10_000 + "}", '{"size": 1e999}', '{"size": NaN}'):
        with pytest.raises(InputWrong):
            read_bundle(text)


def test_files_are_written_whole_and_over_nothing_else(sealed: Path, tmp_path: Path) -> None:
    bundle, path = bundle_of(sealed, 5), tmp_path / "proof.json"
    write_bundle(path, bundle)
    write_bundle(path, bundle_of(sealed, 6))
    assert load_bundle(path).entry.number == 6
    other = tmp_path / "notes.txt"
    other.write_text("kiln schedule")
    with pytest.raises(InputWrong, match="exists already"):
        write_bundle(other, bundle)
    assert other.read_text() == "kiln schedule"
    for wrong in (tmp_path, tmp_path / "no" / "folder.json", tmp_path / "nul\x00"):
        with pytest.raises(InputWrong):
            write_bundle(wrong, bundle)
        with pytest.raises(InputWrong):
            load_bundle(wrong)
    assert sorted(each.name for each in tmp_path.iterdir()) == ["notes.txt", "proof.json"]


def test_lone_surrogates_and_long_bodies_can_be_proven(tmp_path: Path) -> None:
    path = tmp_path / "odd.logbook"
    with Logbook.create(path, [(Kind.JOB, {})], ManualClock(), KEY) as logbook:
        number = logbook.append(Kind.NOTE, {"text": "\ud800\x00\x1b[2J 🏺", "long": "x" * 200_000, "raw": raw(1)})
        logbook.checkpoint()
    bundle = read_bundle(bundle_of(path, number).text())
    assert check(bundle).entry.data["text"] == "\ud800\x00\x1b[2J 🏺"
    assert complaints_about_bundle(bundle.text()) == []
