"""From a result along all it rests on down to the bytes, and back up; bytes cut as the log says they were read."""

from __future__ import annotations

import base64
import json
import sqlite3
from pathlib import Path

import pytest
from working_day import Day, bad_days, good_day

from logger.audit.pieces import pieces_of
from logger.audit.trail import Link, trail
from logger.errors import InputWrong, LogbookDamaged
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from tui.audit_bytes import METER_LINE, byte_lines, decoded
from tui.audit_entry import open_entry
from tui.view import text_of


async def doubtful(day: Day) -> None:
    await day.take("C1", "insulation", "insulation", 4, voltage="500")
    day.hands("line bit-flip 2")
    await day.wait(1)
    day.hands("leads short")
    await day.wait(1)
    await day.do("prove", point="infinity", function="insulation", voltage="500")


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("trail") / "job.db"
    good_day(path, 1, doubtful)
    return path


def roles(links: tuple[Link, ...], role: str) -> list[int]:
    return [link.entry for link in links if link.role == role]


def test_from_a_result_to_all_it_rests_on(day: Path) -> None:
    with LogbookReader.open(day) as reader:
        result = next(e for e in reader.entries(kinds=[Kind.RESULT]) if e.data["test"] == "insulation")
        body, links = result.data, trail(reader, result.number)
        assert roles(links, "its reading") == [body["reading"]]
        assert roles(links, "its bytes") == reader.entry(body["reading"]).data["raw"][:1]
        assert roles(links, "self-check before") == body["self_checks"]
        after = [reader.entry(number) for number in roles(links, "self-check after")]
        assert [each.data["point"] for each in after] == ["infinity", "zero"]
        assert all(each.number > result.number and each.data["outcome"] == "pass" for each in after)
        assert roles(links, "selected then") == [body["selection"]]
        [rule] = [link for link in links if link.role == "its rule"]
        assert reader.entry(rule.entry).kind == Kind.RULES
        assert body["rule"] in rule.sentence
        assert body["source"] in rule.sentence
        [meter] = [reader.entry(number) for number in roles(links, "its instrument")]
        assert meter.data["serial"] == body["serial"]
        assert "calibrated until" in next(link.sentence for link in links if link.role == "its instrument")


def test_a_failed_check_afterwards_says_what_it_did(day: Path) -> None:
    with LogbookReader.open(day) as reader:
        result = reader.last(Kind.RESULT)
        assert result is not None
        [after] = [link for link in trail(reader, result.number) if link.role == "self-check after"]
        assert "FAILED" in after.sentence
        assert "in doubt" in after.sentence


def test_every_step_has_its_way_back(day: Path) -> None:
    """Reading to result, check to result, selection to result, raw to reading: both ways."""
    with LogbookReader.open(day) as reader:
        for result in reader.entries(kinds=[Kind.RESULT]):
            for link in trail(reader, result.number):
                if link.role in ("its reading", "self-check before", "selected then"):
                    back = trail(reader, link.entry)
                    assert result.number in [each.entry for each in back if each.role.startswith("result")], link
            reading = result.data["reading"]
            for raw in roles(trail(reader, result.number), "its bytes"):
                assert reading in roles(trail(reader, raw), "came of it")


def test_an_accepted_reading_leads_to_the_checks_that_carried_it(day: Path) -> None:
    """The recorder names them in each result: a reading that became one must lead to the same."""
    with LogbookReader.open(day) as reader:
        for result in reader.entries(kinds=[Kind.RESULT]):
            links = trail(reader, result.data["reading"])
            assert sorted(roles(links, "self-check before")) == result.data["self_checks"]


@pytest.mark.parametrize("every", [29, pytest.param(1, marks=pytest.mark.slow)])
def test_no_entry_of_an_honest_log_brings_it_to_fall(tmp_path: Path, every: int) -> None:
    path = tmp_path / "rough.db"
    bad_days(path, 11, actions=8)
    with LogbookReader.open(path) as reader:
        size = reader.size
        for number in range(1, size + 1, every):
            for link in trail(reader, number):
                assert 1 <= link.entry <= size
                assert link.sentence
            pieces_of(reader, number)
        with pytest.raises(InputWrong):
            trail(reader, size + 1)


def test_bytes_of_a_raw_entry_are_all_there_in_their_order(tmp_path: Path) -> None:
    path = tmp_path / "rough.db"
    bad_days(path, 2)
    cut = set()
    with LogbookReader.open(path) as reader:
        for entry in reader.entries(kinds=[Kind.RAW]):
            pieces = pieces_of(reader, entry.number)
            whole = base64.b64decode(entry.data["data"])
            assert b"".join(piece.data for piece in pieces) == whole
            at = entry.data["offset"]
            for piece in pieces:
                assert piece.first == at
                at += len(piece.data)
                cut.add(piece.whole)
    assert cut == {True, False}, "frames that stand in two entries are among them"


def test_bytes_of_a_reading_are_its_frame(day: Path) -> None:
    with LogbookReader.open(day) as reader:
        for entry in reader.entries(kinds=[Kind.READING]):
            [piece] = pieces_of(reader, entry.number)
            assert piece.whole
            told = decoded(piece, METER_LINE)
            assert f"n {entry.data['n']}," in told
            assert f"v {entry.data['value']}" in told or entry.data["value"] == "inf"
            assert told.endswith("check right")
        damaged = reader.last(Kind.DAMAGED)
        assert damaged is not None
        [piece] = pieces_of(reader, damaged.number)
        assert damaged.data["why"] in decoded(piece, METER_LINE)
        assert pieces_of(reader, 1) == ()


@pytest.mark.parametrize(("columns", "in_a_row"), [(75, 8), (115, 16)])
def test_hex_and_words_stand_side_by_side(day: Path, columns: int, in_a_row: int) -> None:
    with LogbookReader.open(day) as reader:
        raw = next(e for e in reader.entries(600, kinds=[Kind.RAW]))
        pieces = pieces_of(reader, raw.number)
        rows = text_of(byte_lines(pieces, columns)).split("\n")
    assert max(map(len, rows)) <= columns
    hexed = bytes.fromhex("".join(row[7 : 7 + 3 * in_a_row] for row in rows))
    assert hexed == base64.b64decode(raw.data["data"])
    assert "rd: n" in rows[0]
    assert "→ entry" in " ".join(rows)


def test_an_entry_that_no_recorder_writes_is_opened_as_far_as_it_goes(tmp_path: Path) -> None:
    path = tmp_path / "job.db"
    good_day(path, 1)
    bodies = {
        "result": [{"reading": 10**6}, {"reading": 40, "self_checks": 7}, {"item": {}}],
        "reading": [{"raw": ["a"]}, {"raw": [1, 2], "bytes": None}, {"accepted": True}],
        "raw": [{"data": "%%%", "serial": None, "offset": 0}, {"data": "QQ=="}],
        "self-check": [{"readings": None}],
    }
    changed = []
    with LogbookReader.open(path) as reader:
        numbers = {kind: [e.number for e in reader.entries(kinds=[kind])] for kind in bodies}
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TRIGGER entries_are_not_changed")
        for kind, own in bodies.items():
            for number, body in zip(numbers[kind], own, strict=False):
                connection.execute("UPDATE entries SET body = ? WHERE number = ?", (json.dumps(body), number))
                changed.append(number)
        connection.execute("UPDATE entries SET body = 'no JSON', at = 'noon' WHERE number = ?", (numbers["raw"][5],))
    connection.close()
    for number in changed:
        opened = open_entry(path, number)
        assert opened.heading
        assert opened.trouble or opened.fields
    opened = open_entry(path, numbers["raw"][5])
    assert "does not hold a JSON object" in opened.trouble
    with LogbookReader.open(path) as reader, pytest.raises((LogbookDamaged, InputWrong)):
        trail(reader, numbers["result"][0])


def test_a_strangers_text_is_harmless(tmp_path: Path) -> None:
    path = tmp_path / "job.db"

    async def hostile(day: Day) -> None:
        await day.do("note", text="\x1b[2J\u202e[red]x[/]")

    good_day(path, 1, hostile)
    with LogbookReader.open(path) as reader:
        note = reader.last(Kind.NOTE)
    assert note is not None
    opened = open_entry(path, note.number)
    shown = text_of((*opened.said, *opened.fields))
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert "[red]x[/]" in shown
