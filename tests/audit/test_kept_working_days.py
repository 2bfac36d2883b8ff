"""A day recorded in every format that was ever released is derived again by today's version."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from forger import Line, find, forge
from make_working_days import VERSION as RECORDED_BY
from make_working_days import make
from working_day import DriversAtHand

from logger.audit.desk import Audit, Task, perform
from logger.audit.finding import Weight
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.logbook.schema import FORMAT

KEPT = Path(__file__).parents[2] / "fixtures" / "logbooks"
FORMATS = range(1, FORMAT + 1)


def audited(path: Path) -> Audit:
    audit = Audit(path)
    audit.outcome = perform(path, Task.ALL, DriversAtHand())
    return audit


@pytest.mark.parametrize("file_format", FORMATS)
def test_the_kept_day_is_derived_again(file_format: int, tmp_path: Path) -> None:
    path = tmp_path / "kept.logbook"
    shutil.copy(KEPT / f"working-day-{file_format}.logbook", path)
    before = path.read_bytes()
    audit = audited(path)
    again = audit.outcome.rederivation
    assert again is not None
    assert [each.sentence for each in again.differences] == []
    assert again.counts["readings"] > 200
    assert again.counts["lapses"] > 0
    assert audit.exit_code == 0
    assert path.read_bytes() == before


@pytest.mark.parametrize("file_format", FORMATS)
def test_that_another_version_recorded_it_is_said(file_format: int) -> None:
    again = audited(KEPT / f"working-day-{file_format}.logbook").outcome.rederivation
    assert again is not None
    assert any(RECORDED_BY in each for each in again.unchecked)


def test_what_another_version_judged_otherwise_is_a_doubt_and_no_breach(tmp_path: Path) -> None:
    def other_verdict(lines: list[Line]) -> list[Line]:
        find(lines, "result").body.update(verdict="undecided", sentence="other words, which may change")
        return lines

    forge(KEPT / f"working-day-{FORMAT}.logbook", tmp_path / "forged.db", other_verdict)
    audit = audited(tmp_path / "forged.db")
    assert (audit.altered, audit.exit_code) == (False, 1)
    [found] = [each for each in audit.findings if each.weight is Weight.DOUBT]
    assert "`verdict`" in found.sentence
    assert "`sentence`" not in found.sentence


def test_other_words_and_newer_fields_of_another_version_are_no_difference(tmp_path: Path) -> None:
    def older(lines: list[Line]) -> list[Line]:
        body = find(lines, "result").body
        body["sentence"] = "as it was said then"
        del body["half_width_base"]
        return lines

    forge(KEPT / f"working-day-{FORMAT}.logbook", tmp_path / "forged.db", older)
    assert audited(tmp_path / "forged.db").exit_code == 0


def test_the_script_makes_such_a_day(tmp_path: Path) -> None:
    audit = audited(make(tmp_path))
    assert audit.exit_code == 0
    with LogbookReader.open(audit.path) as reader:
        kinds = {entry.kind for entry in reader.entries()}
    assert {Kind.GAP, Kind.FILLED, Kind.DAMAGED, Kind.LAPSED, Kind.RESULT, Kind.DISCONNECTED, Kind.RECONNECTED} <= kinds
