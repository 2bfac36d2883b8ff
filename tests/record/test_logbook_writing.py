"""Writing a logbook: creation, numbers, guards, checkpoints, the seal, views, and who may write."""

from __future__ import annotations

import json
import os
import sqlite3
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from record_kit import FIRST, KEY, OTHER_KEY, logbook_of, raw, reading, rows_of

from logger.audit.integrity import check_integrity
from logger.clock import NS_PER_S, ManualClock
from logger.errors import LogbookDamaged, LogbookUnusable
from logger.logbook import schema
from logger.logbook.entries import Kind, leaf_hash
from logger.logbook.reader import LogbookReader
from logger.logbook.seal import parse_checkpoint
from logger.logbook.signing import CHECKPOINT_EVERY_ENTRIES, CHECKPOINT_EVERY_S
from logger.logbook.writer import Logbook


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "wheel.logbook"


def test_a_new_logbook_holds_its_first_entries(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock, KEY) as logbook:
        assert (logbook.size, logbook.committed) == (2, 2)
        assert len(logbook.id) == 32
    rows = rows_of(path)
    assert [row[:3] for row in rows] == [(1, "2027-03-01T09:00:00.000000Z", "job"), (2, rows[0][1], "rules")]
    assert all(leaf_hash(*row[:4]) == row[4] for row in rows)
    assert rows[0][4].hex().startswith(logbook.id)
    if sys.platform != "win32":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_an_existing_name_is_never_overwritten(path: Path, clock: ManualClock) -> None:
    path.write_text("someone's notes")
    with pytest.raises(LogbookUnusable, match="exists already"):
        Logbook.create(path, FIRST, clock)
    assert path.read_text() == "someone's notes"
    assert list(path.parent.iterdir()) == [path]


@pytest.mark.parametrize("name", ["no/such/folder.logbook", "nul\x00byte"])
def test_a_name_that_cannot_be_is_one_sentence(tmp_path: Path, clock: ManualClock, name: str) -> None:
    with pytest.raises(LogbookUnusable):
        Logbook.create(tmp_path / name, FIRST, clock)


def test_numbers_go_on_and_nothing_is_durable_before_commit(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock) as logbook:
        assert [logbook.append(Kind.READING, reading(n)) for n in range(3)] == [3, 4, 5]
        assert (logbook.size, logbook.committed) == (5, 2)
        with LogbookReader.open(path) as reader:
            assert reader.size == 2
            logbook.commit()
            assert reader.size == logbook.committed == 5
    with Logbook.open(path, clock) as again:
        assert again.append(Kind.NOTE, {"text": "next day"}) == 6
    assert [row[0] for row in rows_of(path)] == list(range(1, 7))


def test_the_time_can_be_given(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock) as logbook:
        logbook.append(Kind.NOTE, {}, "2027-03-01T10:11:12.131415Z")
    assert rows_of(path)[2][1] == "2027-03-01T10:11:12.131415Z"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET body = '{}' WHERE number = 3",
        "DELETE FROM entries WHERE number = 3",
        "REPLACE INTO entries VALUES (3, 'x', 'note', '{}', x'00')",
        "INSERT OR REPLACE INTO entries VALUES (3, 'x', 'note', '{}', x'00')",
        "INSERT OR IGNORE INTO entries VALUES (3, 'x', 'note', '{}', x'00')",
        "INSERT INTO entries VALUES (3, 'x', 'note', '{}', x'00') ON CONFLICT (number) DO UPDATE SET body = '{}'",
        "INSERT INTO entries VALUES (99, 'x', 'note', '{}', x'00')",
        "INSERT INTO entries VALUES (0, 'x', 'note', '{}', x'00')",
        "UPDATE OR REPLACE entries SET number = 4 WHERE number = 3",
    ],
)
def test_the_file_itself_refuses_changes(path: Path, statement: str) -> None:
    logbook_of(path, 10)
    before = rows_of(path)
    connection = sqlite3.connect(path)  # with SQLite's own settings, as a stranger's tool has them
    with pytest.raises(sqlite3.IntegrityError, match="zerofirst: an entry"):
        connection.execute(statement)
    connection.close()
    assert rows_of(path) == before


def test_wrong_types_are_refused_by_the_table(path: Path) -> None:
    logbook_of(path, 10)
    size = len(rows_of(path))
    connection = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError):
        connection.execute("INSERT INTO entries VALUES (?, 'x', 'note', '{}', 'text for a leaf')", (size + 1,))
    connection.close()


def test_checkpoints_fall_due_by_count_and_by_time(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock, KEY) as logbook:
        assert not logbook.checkpoint_due(clock.mono_ns())
        while logbook.size < CHECKPOINT_EVERY_ENTRIES:
            assert not logbook.checkpoint_due(clock.mono_ns())
            logbook.append(Kind.READING, reading(1))
        assert logbook.checkpoint_due(clock.mono_ns())
        logbook.checkpoint()
        assert not logbook.checkpoint_due(clock.mono_ns() + CHECKPOINT_EVERY_S * NS_PER_S), "nothing came since"
        logbook.append(Kind.READING, reading(1))
        assert not logbook.checkpoint_due(clock.mono_ns() + CHECKPOINT_EVERY_S * NS_PER_S - 1)
        assert logbook.checkpoint_due(clock.mono_ns() + CHECKPOINT_EVERY_S * NS_PER_S)


def test_however_long_a_batch_no_stretch_goes_unsigned(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock, KEY) as logbook:
        numbers = [logbook.append(Kind.READING, reading(n)) for n in range(1000)]
    assert len(set(numbers)) == 1000
    kinds = [row[2] for row in rows_of(path)]
    signed = [number for number, kind in enumerate(kinds, 1) if kind == "checkpoint"]
    assert max(later - earlier for earlier, later in zip([0, *signed], [*signed, len(kinds)], strict=True)) <= 252


def test_without_a_key_nothing_is_signed(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock) as logbook:
        assert logbook.checkpoint() is None
        assert not logbook.checkpoint_due(10**15)
        with pytest.raises(LogbookUnusable, match="cannot be sealed without a signing key"):
            logbook.seal()


def test_the_key_is_introduced_before_it_signs(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock, KEY) as logbook:
        number = logbook.checkpoint()
        logbook.checkpoint()
    rows = rows_of(path)
    assert [row[2] for row in rows] == ["job", "rules", "operator", "checkpoint", "checkpoint"]
    assert json.loads(rows[2][3])["vkey"] == KEY.vkey
    signed = parse_checkpoint(json.loads(rows[3][3])["note"])
    assert signed.checkpoint.size == 3 == (number or 0) - 1
    assert KEY.verifier.signed(signed.note)


def test_a_key_named_in_an_entry_is_not_introduced_twice(path: Path, clock: ManualClock) -> None:
    first = [*FIRST, (Kind.OPERATOR, {"name": "Ana", "vkey": KEY.vkey})]
    with Logbook.create(path, first, clock, KEY) as logbook:
        logbook.checkpoint()
    with Logbook.open(path, clock, KEY) as logbook:
        logbook.checkpoint()
    assert [row[2] for row in rows_of(path)].count("operator") == 1


def test_one_key_vouches_for_the_next(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock, KEY) as logbook:
        logbook.change_key(OTHER_KEY)
        logbook.checkpoint()
    rows = rows_of(path)
    assert [row[2] for row in rows] == ["job", "rules", "operator", "operator", "checkpoint"]
    assert OTHER_KEY.verifier.signed(parse_checkpoint(json.loads(rows[4][3])["note"]).note)


def test_after_closing_only_the_seal(path: Path, clock: ManualClock) -> None:
    logbook = Logbook.create(path, FIRST, clock, KEY)
    logbook.append(Kind.CLOSED, {"seal": True})
    with pytest.raises(LogbookUnusable, match="is closed"):
        logbook.append(Kind.NOTE, {})
    number = logbook.seal()
    assert logbook.committed == number
    for again in (logbook.seal, logbook.checkpoint):
        with pytest.raises(LogbookUnusable, match="sealed"):
            again()
    logbook.close()
    before = path.read_bytes()
    with pytest.raises(LogbookUnusable, match="was sealed"):
        Logbook.open(path, clock, KEY)
    assert path.read_bytes() == before
    assert list(path.parent.iterdir()) == [path]


def test_closed_without_a_seal_is_closed_too(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock) as logbook:
        logbook.append(Kind.CLOSED, {"seal": False})
    with pytest.raises(LogbookUnusable, match="was closed at 2027"):
        Logbook.open(path, clock)


def test_four_threads_leave_no_gap(path: Path, clock: ManualClock) -> None:
    with Logbook.create(path, FIRST, clock, KEY) as logbook:
        taken: list[int] = []

        def work(thread: int) -> None:
            for n in range(200):
                taken.append(logbook.append(Kind.RAW, raw(thread * 1000 + n)))
                if n % 20 == thread:
                    logbook.commit()

        threads = [threading.Thread(target=work, args=(thread,)) for thread in range(4)]
        for each in threads:
            each.start()
        for each in threads:
            each.join()
        logbook.checkpoint()
    rows = rows_of(path)
    assert sorted(taken) == [row[0] for row in rows if row[2] == "raw"]
    assert len(taken) == 800
    assert [row[0] for row in rows] == list(range(1, len(rows) + 1))


def test_a_file_without_its_guards_is_not_written(path: Path, clock: ManualClock) -> None:
    logbook_of(path, 10)
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER entries_are_not_changed")
    connection.close()
    with pytest.raises(LogbookDamaged, match="entries_are_not_changed"):
        Logbook.open(path, clock, KEY)


def test_a_newer_format_is_left_alone(path: Path, clock: ManualClock) -> None:
    logbook_of(path, 10)
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {schema.FORMAT + 1}")
    connection.close()
    with pytest.raises(LogbookUnusable, match="newer version"):
        Logbook.open(path, clock, KEY)


def test_an_older_format_is_brought_up_and_no_entry_touched(
    path: Path, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    logbook_of(path, 20)
    before = rows_of(path)
    newer = (
        *schema.MIGRATIONS,
        ("format 2", ("DROP VIEW results", "CREATE VIEW results AS SELECT number FROM entries")),
    )
    monkeypatch.setattr(schema, "MIGRATIONS", newer)
    monkeypatch.setattr(schema, "FORMAT", 2)
    with LogbookReader.open(path) as reader:
        assert check_integrity(reader).faults == (), "an older file is no altered file"
    with Logbook.open(path, clock, KEY) as logbook:
        logbook.append(Kind.NOTE, {"text": "in the new format"})
    assert rows_of(path)[:-1] == before
    with LogbookReader.open(path) as reader:
        assert reader.connection.execute("PRAGMA user_version").fetchone() == (2,)
        assert check_integrity(reader).faults == ()


def test_lost_tiles_are_made_again_and_lying_ones_are_not_signed(path: Path, clock: ManualClock) -> None:
    logbook_of(path, 600)
    for statement in ("DELETE FROM tiles", "UPDATE tiles SET head = zeroblob(32) WHERE number = 0"):
        connection = sqlite3.connect(path)
        connection.execute(statement)
        connection.commit()
        connection.close()
        with Logbook.open(path, clock, KEY) as logbook:
            logbook.append(Kind.NOTE, {})
            logbook.checkpoint()
        with LogbookReader.open(path) as reader:
            assert reader.connection.execute("SELECT count(*) FROM tiles").fetchone() == (2,)


def test_everything_turned_away_today_and_why_is_one_select(path: Path) -> None:
    logbook_of(path, 60)
    connection = sqlite3.connect(path)
    found = connection.execute(
        "SELECT number, serial, value, unit, reasons FROM turned_away WHERE date(at) = '2027-03-01'"
    ).fetchall()
    connection.close()
    kept = [(row[0], json.loads(row[3])) for row in rows_of(path) if row[2] == "reading"]
    expected = [(number, body) for number, body in kept if not body["accepted"]]
    assert expected
    assert found == [
        (number, body["serial"], body["value"], body["unit"], ", ".join(body["reasons"])) for number, body in expected
    ]


def test_the_items_of_the_plan_can_be_listed(path: Path, clock: ManualClock) -> None:
    circuit = {"id": "C3", "board": "DB1", "name": "Wheel", "protection": {"type": "B", "rating_a": "16"}}
    plan = {"circuit": [circuit, {"id": "C4", "board": "DB1"}], "appliance": [{"id": "T-1", "class": "I"}]}
    Logbook.create(path, [(Kind.JOB, {"title": "studio", "plan": plan})], clock).close()
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT * FROM circuits ORDER BY id").fetchall() == [
        ("C3", "DB1", "Wheel", "B", "16"),
        ("C4", "DB1", None, None, None),
    ]
    assert connection.execute('SELECT id, "class" FROM appliances').fetchall() == [("T-1", "I")]
    connection.close()


def test_every_view_can_be_read(path: Path) -> None:
    logbook_of(path, 30)
    connection = sqlite3.connect(path)
    views = [name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'view'")]
    assert set(views) >= {"readings", "results", "self_checks", "turned_away", "instruments", "alterations"}
    for view in views:
        connection.execute(f"SELECT * FROM {view}").fetchall()
    readings = [row[2] for row in rows_of(path)].count("reading")
    assert connection.execute("SELECT count(*) FROM readings").fetchone() == (readings,)
    connection.close()


def test_importing_the_logbook_loads_nothing_heavy() -> None:
    code = (
        "import sys; import logger.logbook.writer, logger.logbook.reader, logger.logbook.proofs;"
        "sys.exit(any(name in sys.modules for name in ('sqlite_utils', 'cryptography', 'platformdirs', 'pint')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, env=os.environ).returncode == 0
