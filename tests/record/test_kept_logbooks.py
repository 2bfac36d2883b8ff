"""A logbook of every format ever released, with proofs made then, stands for ever: here and for an outsider."""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path

import pytest
from make_logbook_fixtures import PROVEN_ENTRIES
from record_kit import KEY, OTHER_KEY

sys.path.insert(0, str(Path(__file__).parent.parent / "outside"))
from outside_verifier import complaints_about_bundle, complaints_about_logbook

from logger.audit.extension import checkpoint_in, verify_extension
from logger.audit.integrity import check_integrity
from logger.logbook.bundle_file import load_bundle
from logger.logbook.proofs import check
from logger.logbook.reader import LogbookReader
from logger.logbook.schema import FORMAT

KEPT = Path(__file__).parents[2] / "fixtures" / "logbooks"
FORMATS = range(1, FORMAT + 1)


@pytest.mark.parametrize("file_format", FORMATS)
def test_the_kept_logbook_stands(file_format: int) -> None:
    path = KEPT / f"format-{file_format}.logbook"
    before = path.read_bytes()
    with LogbookReader.open(path) as reader:
        report = check_integrity(reader, pinned=[KEY.vkey])
        assert report.faults == ()
        assert report.sealed
        assert [key.vkey for key in report.keys] == [KEY.vkey, OTHER_KEY.vkey]
        assert verify_extension(checkpoint_in(path.with_suffix(".checkpoint")), reader).holds
        assert sum(1 for entry in reader.entries() if entry.data) == reader.size
    assert path.read_bytes() == before
    assert complaints_about_logbook(path) == []


@pytest.mark.parametrize("file_format", FORMATS)
@pytest.mark.parametrize("number", PROVEN_ENTRIES)
def test_the_kept_proofs_hold(file_format: int, number: int) -> None:
    path = KEPT / f"format-{file_format}-entry-{number}.json"
    assert check(load_bundle(path), OTHER_KEY.vkey).entry.number == number
    assert complaints_about_bundle(path.read_text(encoding="utf-8"), OTHER_KEY.vkey) == []


def test_the_newest_kept_one_is_of_todays_format() -> None:
    connection = sqlite3.connect(f"file:{KEPT / f'format-{FORMAT}.logbook'}?mode=ro&immutable=1", uri=True)
    assert connection.execute("PRAGMA user_version").fetchone() == (FORMAT,)
    connection.close()
