"""Every write, sync and truncation fails once, or for good: what was confirmed stays, what waits is written later."""

from __future__ import annotations

import sqlite3
from collections import Counter
from pathlib import Path

import pytest
from record_kit import FIRST, KEY, raw, reading
from storage_sim import Disk, simulated

from logger.audit.integrity import check_integrity
from logger.clock import ManualClock
from logger.errors import LogbookUnusable, StorageFailed
from logger.logbook import files, tail, writer
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook

NAME = "booth.logbook"
TRIES = 3
KINDS = [(full, sticky) for full in (False, True) for sticky in (False, True)]
ALWAYS_EVERY = 9
"""The always-run share takes every so-many-th operation; the slow set takes all."""


EXPECTED = {Kind.JOB: 1, Kind.RULES: 1, Kind.OPERATOR: 1, Kind.RAW: 72, Kind.READING: 72, Kind.CHECKPOINT: 4}
"""What two sessions of `work` append, however often the disk failed."""


class Told:
    """What somebody was told is recorded, and how often the disk refused."""

    def __init__(self) -> None:
        self.number = 0
        self.refusals = 0


def commit(logbook: Logbook, told: Told) -> None:
    try:
        logbook.commit()
    except StorageFailed:
        told.refusals += 1
        with pytest.raises(StorageFailed):
            logbook.commit()  # never retried blindly: refused until recovered
        for _ in range(TRIES):
            try:
                logbook.recover()
                break
            except StorageFailed:
                continue
    if logbook.failure is None:
        told.number = logbook.committed


def work(logbook: Logbook, told: Told) -> None:
    for group in range(8):
        for _ in range(1 + group % 3 * 4):
            logbook.append(Kind.RAW, raw(logbook.size))
            logbook.append(Kind.READING, reading(logbook.size))
        if group % 4 == 3:
            logbook.checkpoint()
        commit(logbook, told)


def script(path: Path, disk: Disk, told: Told) -> None:
    """Two sessions on a disk that fails as planned and is mended before each is closed."""
    clock = ManualClock()
    try:
        logbook = Logbook.create(path, FIRST, clock, KEY)
    except StorageFailed:
        assert not path.exists(), "a creation that failed leaves nothing"
        assert [each.name for each in path.parent.iterdir()] == []
        told.refusals += 1
        disk.fail_at = None
        logbook = Logbook.create(path, FIRST, clock, KEY)
    told.number = logbook.committed
    work(logbook, told)
    if disk.fail_at is not None and disk.failed:
        disk.fail_at = None
    logbook.close()
    try:
        logbook = Logbook.open(path, clock, KEY)
    except StorageFailed:
        told.refusals += 1
        disk.fail_at = None
        logbook = Logbook.open(path, clock, KEY)
    work(logbook, told)
    if disk.failed:
        disk.fail_at = None
    logbook.close()


def run_with_fault(folder: Path, fail_at: int | None, full: bool, sticky: bool) -> tuple[Disk, Told]:
    folder.mkdir()
    path = folder / NAME
    disk, told = Disk(fail_at=fail_at, full=full, sticky=sticky), Told()
    with simulated(disk):
        script(path, disk, told)
    with LogbookReader.open(path) as reader:
        assert reader.size >= told.number
        kinds = Counter(entry.kind for entry in reader.entries())
        assert {kind: kinds[kind] for kind in EXPECTED} == EXPECTED
        assert set(kinds) <= {*EXPECTED, Kind.STORAGE_FAULT}
        report = check_integrity(reader)
        assert report.faults == ()
        faults = [entry.data for entry in reader.entries(kinds=[Kind.STORAGE_FAULT])]
        for fault in faults:
            assert fault["confirmed"] <= fault["found"]
            if "first" in fault:
                assert fault["first"] == fault["found"] + 1 <= fault["last"]
    if len(list(folder.iterdir())) > 1:  # the fault came as the log was folded in: the next session does that
        Logbook.open(path, ManualClock(), KEY).close()
    assert [each.name for each in folder.iterdir()] == [NAME]
    return disk, told


def sweep(tmp_path: Path, step: int) -> None:
    clean, told = run_with_fault(tmp_path / "clean", None, False, False)
    assert told.refusals == 0
    for full, sticky in KINDS:
        struck = 0
        for fail_at in range(1, clean.count + 1, step):
            disk, told = run_with_fault(tmp_path / f"{full}-{sticky}-{fail_at}", fail_at, full, sticky)
            struck += disk.failed > 0
        assert struck == len(range(1, clean.count + 1, step)), "every planned fault happened"


def test_a_share_of_all_faults(tmp_path: Path) -> None:
    sweep(tmp_path, ALWAYS_EVERY)


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_every_operation_fails_once_and_for_good(tmp_path: Path) -> None:
    sweep(tmp_path, 1)


def test_what_waits_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tail, "MAX_PENDING_BYTES", 20_000)
    disk = Disk()
    with simulated(disk):
        logbook = Logbook.create(tmp_path / NAME, FIRST, ManualClock(), KEY)
        disk.fail_at, disk.sticky = disk.count + 1, True
        logbook.append(Kind.NOTE, {"text": "waits"})
        with pytest.raises(StorageFailed, match="could not be written"):
            logbook.commit()
        with pytest.raises(StorageFailed, match="no more can be held"):
            for _ in range(1000):
                logbook.append(Kind.READING, reading(1))
        waiting = logbook.size
        disk.fail_at = None
        logbook.recover()
        assert logbook.committed == waiting + 1, "all that was taken, and the entry that tells of the fault"
        logbook.append(Kind.NOTE, {"text": "on"})
        logbook.close()
    with LogbookReader.open(tmp_path / NAME) as reader:
        assert reader.size == waiting + 2
        assert reader.entry(waiting + 1).kind == Kind.STORAGE_FAULT
        assert check_integrity(reader).is_whole


def test_closing_on_a_dead_disk_says_what_is_lost_and_lets_go(tmp_path: Path) -> None:
    disk = Disk()
    with simulated(disk):
        logbook = Logbook.create(tmp_path / NAME, FIRST, ManualClock(), KEY)
        disk.fail_at, disk.sticky = disk.count + 1, True
        logbook.append(Kind.NOTE, {"text": "lost"})
        with pytest.raises(StorageFailed):
            logbook.close()
        disk.fail_at = None
        again = Logbook.open(tmp_path / NAME, ManualClock(), KEY)
        assert again.size == len(FIRST)
        again.close()


def test_a_file_moved_away_is_noticed(tmp_path: Path) -> None:
    logbook = Logbook.create(tmp_path / NAME, FIRST, ManualClock(), KEY)
    (tmp_path / NAME).rename(tmp_path / "elsewhere")
    logbook.append(Kind.NOTE, {"text": "where am I?"})
    with pytest.raises(StorageFailed, match="moved"):
        logbook.commit()
    with pytest.raises(StorageFailed, match="moved"):
        logbook.recover()
    (tmp_path / "elsewhere").rename(tmp_path / NAME)
    logbook.recover()
    logbook.close()
    with LogbookReader.open(tmp_path / NAME) as reader:
        assert [entry.kind for entry in reader.entries(first=3)] == [Kind.NOTE, Kind.STORAGE_FAULT]


@pytest.mark.parametrize("after_the_commit", [False, True])
def test_an_interrupt_in_the_middle_of_a_commit_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after_the_commit: bool
) -> None:
    def interrupted(connection: sqlite3.Connection, batch: tail.Batch) -> None:
        monkeypatch.setattr(writer, "write_batch", tail.write_batch)
        if after_the_commit:
            tail.write_batch(connection, batch)
        raise KeyboardInterrupt

    with Logbook.create(tmp_path / NAME, FIRST, ManualClock(), KEY) as logbook:
        logbook.append(Kind.NOTE, {"text": "kept"})
        monkeypatch.setattr(writer, "write_batch", interrupted)
        with pytest.raises(KeyboardInterrupt):
            logbook.commit()
        logbook.append(Kind.NOTE, {"text": "too"})
        if after_the_commit:  # on disk already, which only opening the file anew can tell
            with pytest.raises(StorageFailed):
                logbook.commit()
            logbook.recover()
        logbook.commit()
    with LogbookReader.open(tmp_path / NAME) as reader:
        assert [entry.data["text"] for entry in reader.entries(kinds=[Kind.NOTE])] == ["kept", "too"]
        assert check_integrity(reader).faults == ()


def test_writing_again_changes_no_byte(tmp_path: Path) -> None:
    file = tmp_path / "log"
    content = bytes(range(256)) * 700
    file.write_bytes(content)
    files.write_again(file, chunk_bytes=1000)
    assert file.read_bytes() == content


def test_a_second_name_is_refused_for_writing(tmp_path: Path) -> None:
    Logbook.create(tmp_path / NAME, FIRST, ManualClock()).close()
    (tmp_path / "other.logbook").hardlink_to(tmp_path / NAME)
    with pytest.raises(LogbookUnusable, match="second name"):
        Logbook.open(tmp_path / NAME, ManualClock())
