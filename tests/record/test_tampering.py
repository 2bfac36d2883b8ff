"""Every known way of altering a logbook is found, and placed to 256 entries; an outsider without our code agrees."""

from __future__ import annotations

import shutil
import sqlite3
import sys
from pathlib import Path

import pytest
from forgeries import FIRST_CHECKPOINT, FORGERIES, Forgery, nicer, put, signed_anew, sql, with_tiles
from record_kit import KEY, OTHER_KEY, forging, logbook_of, rows_of

sys.path.insert(0, str(Path(__file__).parent.parent / "outside"))
from outside_verifier import complaints_about_logbook

from logger.audit.extension import verify_extension
from logger.audit.integrity import check_integrity
from logger.audit.report import IntegrityReport
from logger.clock import ManualClock
from logger.errors import LogbookDamaged
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook

PLACED_TO = 256


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return logbook_of(tmp_path_factory.mktemp("sealed") / "kiln.logbook", 1000, seal=True)


def audit(path: Path, *pinned: str) -> IntegrityReport:
    with LogbookReader.open(path) as reader:
        return check_integrity(reader, pinned=pinned)


def newest_note(path: Path) -> str:
    with LogbookReader.open(path) as reader:
        entry = reader.last(Kind.CHECKPOINT, Kind.SEAL)
        assert entry is not None
        return str(entry.data["note"])


def test_the_untouched_one_is_clean(sealed: Path) -> None:
    report = audit(sealed)
    assert report.faults == ()
    assert report.sealed
    assert report.checkpoints[0].entry == FIRST_CHECKPOINT
    assert len(report.checkpoints) == 4
    assert all(checkpoint.holds for checkpoint in report.checkpoints)
    assert report.entries == len(rows_of(sealed))
    assert sum(report.kinds.values()) == report.entries
    assert [key.vkey for key in report.keys] == [KEY.vkey]
    assert complaints_about_logbook(sealed) == []
    assert audit(sealed, KEY.vkey).faults == ()


@pytest.mark.parametrize("forgery", FORGERIES, ids=lambda forgery: forgery.name)
def test_found_and_placed(sealed: Path, tmp_path: Path, forgery: Forgery) -> None:
    path = tmp_path / "forged.logbook"
    shutil.copy(sealed, path)
    forgery.do(path)
    report = audit(path)
    assert report.faults, "not found"
    if forgery.place is not None:
        placed = [
            fault
            for fault in report.faults
            if fault.entry is not None
            and fault.last is not None
            and fault.entry <= forgery.place <= fault.last
            and fault.last - fault.entry < PLACED_TO
        ]
        narrow_or_gone = placed or [fault for fault in report.faults if fault.entry == forgery.place]
        assert narrow_or_gone, report.faults
    if forgery.outsider:
        assert complaints_about_logbook(path)
    for fault in report.faults:
        assert fault.sentence.endswith(".")
        assert "{" not in fault.sentence


def test_a_logbook_rewritten_with_another_key_needs_something_from_outside(sealed: Path, tmp_path: Path) -> None:
    kept = newest_note(sealed)
    path = tmp_path / "rewritten.logbook"
    shutil.copy(sealed, path)
    with forging(path) as connection:
        signed_anew(nicer, OTHER_KEY, and_the_key=True)(connection)
    report = audit(path)
    assert report.faults == (), "by itself it stands, and that is said"
    assert any("Whoever holds both this file and its signing key" in remark for remark in report.remarks)
    assert OTHER_KEY.fingerprint in " ".join(report.remarks)
    assert audit(path, KEY.vkey).faults
    assert complaints_about_logbook(path, KEY.vkey)
    with LogbookReader.open(path) as reader:
        assert not verify_extension(kept, reader).holds


def test_a_tail_cut_off_and_an_old_copy_need_a_checkpoint_from_outside(tmp_path: Path) -> None:
    path = logbook_of(tmp_path / "kiln.logbook", 400)
    old = tmp_path / "old.logbook"
    shutil.copy(path, old)
    with Logbook.open(path, ManualClock(), KEY) as logbook:
        logbook.append(Kind.RESULT, {"verdict": "fails"})
        logbook.checkpoint()
    kept = newest_note(path)
    with LogbookReader.open(old) as reader:
        assert check_integrity(reader).is_whole
        answer = verify_extension(kept, reader)
    assert not answer.holds
    assert "cut off" in answer.sentence
    with forging(path) as connection:
        sql("DELETE FROM entries WHERE number > 400", "DELETE FROM tiles WHERE number > 0")(connection)
    report = audit(path)
    assert any("No checkpoint stands after" in remark for remark in report.remarks)
    with LogbookReader.open(path) as reader:
        assert not verify_extension(kept, reader).holds


@pytest.mark.parametrize("name", ["a checkpoint's signature", "a checkpoint's head", "a value, its leaf and the tiles"])
def test_a_writer_does_not_sign_over_what_was_altered(tmp_path: Path, name: str) -> None:
    path = logbook_of(tmp_path / "open.logbook", 320 if "value" in name else 240)
    with forging(path) as connection:
        if "value" in name:
            with_tiles(nicer)(connection)
        else:
            next(forgery for forgery in FORGERIES if forgery.name == name).hands(connection)
    with pytest.raises(LogbookDamaged, match="newest checkpoint"):
        Logbook.open(path, ManualClock(), KEY)
    assert audit(path).faults


def test_two_logs_spliced(sealed: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.logbook"
    clock = ManualClock()
    clock.advance(1000)
    logbook_of(other, 1000, seal=True, clock=clock)
    path = tmp_path / "spliced.logbook"
    shutil.copy(sealed, path)
    with forging(path) as connection:
        connection.execute("DELETE FROM entries WHERE number > 400")
        connection.execute("ATTACH ? AS other", (str(other),))
        connection.execute("INSERT INTO entries SELECT * FROM other.entries WHERE number > 400")
    report = audit(path)
    assert any(fault.entry is not None and fault.entry <= 401 <= (fault.last or 0) for fault in report.faults)
    assert complaints_about_logbook(path)


def test_a_key_that_nobody_vouches_for_is_remarked(tmp_path: Path) -> None:
    path = logbook_of(tmp_path / "kiln.logbook", 100)
    with Logbook.open(path, ManualClock(), OTHER_KEY) as logbook:
        logbook.append(Kind.NOTE, {"text": "another operator"})
        logbook.checkpoint()
    report = audit(path)
    assert report.faults == ()
    assert [key.vouched for key in report.keys] == [True, False]
    assert any(OTHER_KEY.fingerprint in remark for remark in report.remarks)
    assert audit(path, KEY.vkey).faults, "whoever asks for one key is not content with another"


def test_a_key_change_signed_by_both_is_no_remark(tmp_path: Path) -> None:
    path = logbook_of(tmp_path / "kiln.logbook", 100)
    with Logbook.open(path, ManualClock(), KEY) as logbook:
        logbook.change_key(OTHER_KEY)
        logbook.append(Kind.NOTE, {"text": "a new key"})
        logbook.checkpoint()
    report = audit(path, KEY.vkey)
    assert report.faults == ()
    assert [key.vouched for key in report.keys] == [True, True]


def test_a_change_of_key_signed_by_one_alone_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "kiln.logbook"
    with Logbook.create(path, [(Kind.JOB, {})], ManualClock(), KEY) as logbook:
        logbook.checkpoint()
        logbook.append(Kind.OPERATOR, {"vkey": OTHER_KEY.vkey, "change": newest_note_text(logbook)})
    assert [fault.what for fault in audit(path).faults] == ["key"]


def newest_note_text(logbook: Logbook) -> str:
    logbook.commit()
    return newest_note(logbook.path)


def test_without_checkpoints_the_audit_says_what_that_means(tmp_path: Path) -> None:
    path = logbook_of(tmp_path / "kiln.logbook", 300, key=None)
    report = audit(path)
    assert report.faults == ()
    assert any("No checkpoint is signed" in remark for remark in report.remarks)
    assert audit(path, KEY.vkey).checkpoints == ()
    with forging(path) as connection:
        nicer(connection, 151)
    assert [fault.entry for fault in audit(path).faults] == [1]


def test_a_body_that_is_no_json_is_found_without_a_checkpoint(tmp_path: Path) -> None:
    path = logbook_of(tmp_path / "kiln.logbook", 30, key=None)
    rows = rows_of(path)
    for body in ("", "[]", "{", "null"):
        with forging(path) as connection:
            put(connection, [5, rows[4][1], "note", body, b""], right_leaf=True)
        assert [(fault.entry, fault.what) for fault in audit(path).faults] == [(5, "json")]


def test_values_of_the_wrong_type(sealed: Path, tmp_path: Path) -> None:
    path = tmp_path / "typed.logbook"
    for value in (b"{}", 5, None, 2.5):
        shutil.copy(sealed, path)
        connection = sqlite3.connect(path, isolation_level=None)
        guards = connection.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        schema = connection.execute("SELECT sql FROM sqlite_schema WHERE name = 'entries'").fetchone()[0]
        loose = schema.replace(" STRICT", "").replace("body TEXT NOT NULL", "body")
        set_schema(connection, loose)
        connection.execute("UPDATE entries SET body = ? WHERE number = 300", (value,))
        set_schema(connection, schema)
        for _, statement in guards:
            connection.execute(statement)
        connection.close()
        report = audit(path)
        assert (300, "type") in [(fault.entry, str(fault.what)) for fault in report.faults]
        with LogbookReader.open(path) as reader, pytest.raises(LogbookDamaged, match="wrong type"):
            reader.entry(300)


def set_schema(connection: sqlite3.Connection, statement: str) -> None:
    connection.execute("PRAGMA writable_schema = ON")
    connection.execute("UPDATE sqlite_schema SET sql = ? WHERE name = 'entries'", (statement,))
    connection.execute("PRAGMA writable_schema = RESET")
