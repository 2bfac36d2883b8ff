"""Honest logbooks, as chance makes them, are never accused; an outsider agrees."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest
from record_kit import random_day, rows_of

sys.path.insert(0, str(Path(__file__).parent.parent / "outside"))
from outside_verifier import complaints_about_logbook

from logger.audit.integrity import check_integrity
from logger.logbook.entries import leaf_hash
from logger.logbook.merkle import head_of
from logger.logbook.reader import LogbookReader


def stands(path: Path) -> None:
    with LogbookReader.open(path) as reader:
        report = check_integrity(reader)
    assert report.faults == (), path
    rows = rows_of(path)
    assert report.entries == len(rows) == sum(report.kinds.values())
    assert all(leaf_hash(*row[:4]) == row[4] for row in rows)
    assert report.head == head_of([row[4] for row in rows])
    assert report.sealed == (rows[-1][2] == "seal")
    assert all(checkpoint.holds for checkpoint in report.checkpoints)
    assert complaints_about_logbook(path) == []


@pytest.mark.parametrize("seed", range(40))
def test_a_random_day_stands(tmp_path: Path, seed: int) -> None:
    stands(random_day(tmp_path / "day.logbook", seed))


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_a_thousand_days_stand(tmp_path: Path) -> None:
    for seed in range(1000, 2000):
        folder = tmp_path / str(seed)
        folder.mkdir()
        stands(random_day(folder / "day.logbook", seed))
        shutil.rmtree(folder)
