"""Reading changes no byte and leaves nothing behind; what is no logbook, or no longer one, is told in one sentence."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from record_kit import FIRST, KEY, forging, logbook_of, rows_of

from logger.audit.integrity import check_integrity
from logger.clock import ManualClock
from logger.errors import InputWrong, LogbookDamaged, LogbookUnusable, ZerofirstError
from logger.logbook.entries import Kind
from logger.logbook.examine import AUDIT
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return logbook_of(tmp_path / "mill.logbook", 300)


def state_of(folder: Path) -> dict[str, tuple[str, int]]:
    return {
        each.name: (hashlib.sha256(each.read_bytes()).hexdigest(), each.stat().st_mtime_ns) for each in folder.iterdir()
    }


def read_everything(path: Path) -> int:
    with LogbookReader.open(path) as reader:
        count = sum(1 for _ in reader.entries())
        reader.last(Kind.CHECKPOINT)
        assert check_integrity(reader).is_whole
    return count


def left_by_a_crash(path: Path) -> None:
    """As after kill -9: the newest entries stand only in the log."""
    code = (
        "import sys, os; sys.path.insert(0, sys.argv[2]); from record_kit import *; from pathlib import Path\n"
        "logbook = Logbook.open(Path(sys.argv[1]), ManualClock(), KEY)\n"
        "for n in range(40): logbook.append(Kind.READING, reading(n))\n"
        "logbook.commit(); os._exit(9)"
    )
    here = str(Path(__file__).parent)
    assert subprocess.run([sys.executable, "-c", code, str(path), here], check=False).returncode == 9


def test_reading_changes_nothing(path: Path) -> None:
    before = state_of(path.parent)
    assert read_everything(path) == len(rows_of(path))
    assert state_of(path.parent) == before


@pytest.mark.parametrize("without_index", [False, True])
def test_reading_what_a_crash_left_changes_nothing(path: Path, without_index: bool) -> None:
    size = len(rows_of(path))
    left_by_a_crash(path)
    (path.parent / f"{path.name}.lock").unlink()
    (path.parent / f"{path.name}.held").unlink()
    if without_index:
        (path.parent / f"{path.name}-shm").unlink()
    before = state_of(path.parent)
    assert f"{path.name}-wal" in before
    assert read_everything(path) == size + 40
    assert state_of(path.parent) == before


def test_another_logbooks_log_is_not_taken_in(path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "other"
    folder.mkdir()
    other = folder / path.name
    Logbook.create(other, [(Kind.JOB, {"title": "tool store"})], ManualClock(), KEY).close()
    left_by_a_crash(other)
    before = path.read_bytes()
    shutil.copy(folder / f"{path.name}-wal", tmp_path)
    for use in (LogbookReader.open, lambda path: Logbook.open(path, ManualClock(), KEY)):
        with pytest.raises(LogbookDamaged, match="belongs to another logbook"):
            use(path)
    assert path.read_bytes() == before
    (tmp_path / f"{path.name}-wal").unlink()
    assert read_everything(path) == len(rows_of(path))


def test_a_copys_log_that_does_not_agree_is_not_folded_in(path: Path, tmp_path: Path) -> None:
    """Two copies of one logbook went on apart; the log of one lies beside the other."""
    folder = tmp_path / "copy"
    folder.mkdir()
    copy = folder / path.name
    shutil.copy(path, copy)
    left_by_a_crash(copy)
    with Logbook.open(path, ManualClock(), KEY) as logbook:
        for n in range(700):
            logbook.append(Kind.NOTE, {"text": f"went on here {n}"})
        logbook.checkpoint()
    before = path.read_bytes()
    shutil.copy(folder / f"{path.name}-wal", tmp_path)
    with pytest.raises(LogbookDamaged):
        Logbook.open(path, ManualClock(), KEY)
    assert path.read_bytes() == before


def test_a_copy_without_its_log_is_whole_but_short_and_says_so(path: Path, tmp_path: Path) -> None:
    size = len(rows_of(path))
    with Logbook.open(path, ManualClock(), KEY) as logbook:
        logbook.append(Kind.OPENED, {})
        logbook.commit()
        left_by_someone = tmp_path / "copy.logbook"
        shutil.copy(path, left_by_someone)
    with LogbookReader.open(left_by_someone) as reader:
        assert reader.size == size
        assert check_integrity(reader).is_whole


def test_reading_beside_the_writer(path: Path) -> None:
    with Logbook.open(path, ManualClock(), KEY) as logbook, LogbookReader.open(path) as reader:
        size = reader.size
        with reader.snapshot():
            logbook.append(Kind.NOTE, {"text": "meanwhile"})
            logbook.commit()
            assert reader.size == size
        assert reader.size == size + 1
        assert check_integrity(reader).is_whole
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_a_reader_that_took_the_file_as_it_lay_notices_a_writer(path: Path) -> None:
    with LogbookReader.open(path) as reader:
        seen = [reader.disturbed]
        with Logbook.open(path, ManualClock(), KEY) as logbook:
            logbook.append(Kind.NOTE, {"text": "meanwhile"})
        seen.append(reader.disturbed)
        assert seen == [False, True]
        assert check_integrity(reader).is_whole, "read again rather than accused"


def test_entries_by_number_and_kind(path: Path) -> None:
    rows = rows_of(path)
    with LogbookReader.open(path) as reader:
        assert reader.size == len(rows)
        assert [entry.number for entry in reader.entries(5, 9)] == [5, 6, 7, 8, 9]
        for kinds in ([Kind.READING], [Kind.OPENED, Kind.STOPPED], [Kind.RAW, Kind.JOB], ["no-such-kind"], []):
            expected = [row[0] for row in rows if row[2] in kinds]
            assert [entry.number for entry in reader.entries(kinds=kinds)] == expected
        last = reader.last(Kind.READING)
        assert last is not None
        assert last.number == max(row[0] for row in rows if row[2] == "reading")
        newest = reader.last()
        assert newest is not None
        assert newest.number == len(rows)
        assert reader.last("no-such-kind") is None
        entry = reader.entry(1)
        assert (entry.kind, entry.data["title"]) == (Kind.JOB, "Glaze booth rewire")


@pytest.mark.parametrize("number", [0, -1, 10**6, 2**63, 2**70])
def test_an_entry_that_is_not_there(path: Path, number: int) -> None:
    with LogbookReader.open(path) as reader, pytest.raises(InputWrong, match="There is no entry"):
        reader.entry(number)


def opening(path: Path) -> ZerofirstError:
    with pytest.raises(ZerofirstError) as caught:
        LogbookReader.open(path).close()
    with pytest.raises(ZerofirstError):
        Logbook.open(path, ManualClock())
    assert "\n" not in str(caught.value)
    return caught.value


def test_what_never_was_a_logbook(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty").touch()
    (tmp_path / "text").write_text("kiln log, by hand\n" * 100)
    (tmp_path / "noise").write_bytes(os.urandom(9000))
    connection = sqlite3.connect(tmp_path / "glazes.db")
    connection.execute("CREATE TABLE entries (number INTEGER PRIMARY KEY, recipe TEXT)")
    connection.commit()
    connection.close()
    for name in ("missing", "folder", "empty", "text", "noise", "glazes.db", "nul\x00byte"):
        assert isinstance(opening(tmp_path / name), LogbookUnusable), name


@pytest.mark.parametrize("size_bytes", [20, 50, 71, 100, 4096, 5000, 20_000])
def test_what_is_left_of_a_logbook(path: Path, size_bytes: int) -> None:
    path.write_bytes(path.read_bytes()[:size_bytes])
    try:
        with LogbookReader.open(path) as reader:
            report = check_integrity(reader)
        assert report.faults, "cut short and not noticed"
    except LogbookDamaged as error:
        assert AUDIT.split(",")[0] in str(error)


def test_a_logbook_whose_start_was_overwritten(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(bytes(64) + content[64:])
    assert isinstance(opening(path), LogbookDamaged)


def test_a_table_that_is_a_view(path: Path) -> None:
    with forging(path, keep_guards=False) as connection:
        connection.execute("ALTER TABLE entries RENAME TO hidden")
        connection.execute("CREATE VIEW entries AS SELECT * FROM hidden")
    assert isinstance(opening(path), LogbookDamaged)


def test_a_damaged_guard_leaves_the_entries_readable(path: Path) -> None:
    content = path.read_bytes()
    assert content.count(b"CREATE TRIGGER entries_are_not_changed") == 1
    path.write_bytes(
        content.replace(b"CREATE TRIGGER entries_are_not_changed", b"CREATE TRIGGER entries#are_not_changed")
    )
    with LogbookReader.open(path) as reader:
        assert sum(1 for _ in reader.entries()) == reader.size
        assert check_integrity(reader).faults


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=600), st.integers(0, 120))
def test_any_bytes_end_in_one_sentence(tmp_path_factory: pytest.TempPathFactory, data: bytes, keep: int) -> None:
    folder = tmp_path_factory.mktemp("any")
    path = folder / "any.logbook"
    path.write_bytes((b"SQLite format 3\x00" + bytes(84))[:keep] + data)
    try:
        LogbookReader.open(path).close()
    except ZerofirstError as error:
        assert error.exit_code in (2, 4)
    assert list(folder.iterdir()) == [path]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="mounting a medium read-only needs root")
def test_a_read_only_medium(path: Path, tmp_path: Path) -> None:
    medium = tmp_path / "medium"
    medium.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", medium], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("this system does not let a test mount a tmpfs")
    try:
        shutil.copy(path, medium / path.name)
        subprocess.run(["mount", "-o", "remount,ro", medium], check=True)
        before = state_of(medium)
        assert read_everything(medium / path.name) == len(rows_of(path))
        with pytest.raises(LogbookUnusable, match="cannot be written to"):
            Logbook.open(medium / path.name, ManualClock())
        assert state_of(medium) == before
    finally:
        subprocess.run(["umount", medium], check=True)


def test_a_hostile_name_is_no_way_out_of_the_uri(tmp_path: Path) -> None:
    for name in ("a?mode=rwc", "b#c", "d%41", "é ∞ [x]", "f&g=h"):
        path = tmp_path / f"{name}.logbook"
        Logbook.create(path, FIRST, ManualClock()).close()
        with LogbookReader.open(path) as reader:
            assert reader.size == 2
    assert len(list(tmp_path.iterdir())) == 5
