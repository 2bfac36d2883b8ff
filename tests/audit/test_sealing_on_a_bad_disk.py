"""The disk fails as a job is closed and sealed: what is stored in the end is closed and sealed, or neither."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest
from working_day import KEY, good_day, new_logbook

from drivers.simulator.catalogue import load_site
from logger.audit.integrity import check_integrity
from logger.clock import ManualClock, SystemClock
from logger.errors import StorageFailed
from logger.job.plan import plan_body, plan_from_body
from logger.logbook import tail, writer
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook
from logger.recorder.event import Event
from tui.wiring import Session


class BadDisk:
    """Refuses so many commits; `late`: they reach the disk all the same, as when only the last sync fails."""

    def __init__(self, times: int = 0, *, late: bool = False) -> None:
        self.times, self.late = times, late

    def write(self, connection: sqlite3.Connection, batch: tail.Batch) -> None:
        if self.times:
            self.times -= 1
            if self.late:
                tail.write_batch(connection, batch)
            raise sqlite3.OperationalError("disk I/O error")
        tail.write_batch(connection, batch)


def kinds_at_the_end(path: Path) -> list[str]:
    with LogbookReader.open(path) as reader:
        report = check_integrity(reader)
        assert report.faults == ()
        assert report.sealed
        kinds = [str(entry.kind) for entry in reader.entries()]
        return [kind for kind in kinds if kind != "operator"][-2:]


@pytest.mark.parametrize("late", [False, True])
def test_the_seal_waits_and_is_the_last_entry(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, late: bool) -> None:
    path = tmp_path / "job.db"
    new_logbook(path, ManualClock())
    disk = BadDisk(late=late)
    monkeypatch.setattr(writer, "write_batch", disk.write)
    with Logbook.open(path, ManualClock(), KEY) as logbook:
        logbook.append(Kind.NOTE, {"text": "the wheels are unplugged"})
        logbook.checkpoint()
        disk.times = 1
        logbook.append(Kind.CLOSED, {"seal": True})
        with pytest.raises(StorageFailed):
            logbook.seal()
        logbook.recover()
        assert logbook.committed == logbook.size
    assert kinds_at_the_end(path) == ["closed", "seal"]


def begun(path: Path, disk: BadDisk, monkeypatch: pytest.MonkeyPatch) -> tuple[Session, list[Event]]:
    """A session on a job with nothing to test, and what it tells; begun before the disk fails."""
    body: dict[str, Any] = dict(plan_body(load_site("pottery-studio").plan))
    for name in ("circuit", "earth"):
        body.pop(name)
    new_logbook(path, ManualClock(), plan=plan_from_body(body))
    monkeypatch.setattr(writer, "write_batch", disk.write)
    heard: list[Event] = []
    session = Session(path, [], heard.extend, SystemClock(), end_on_failure=False, key_for=lambda _: KEY)
    session.start()
    return session, heard


def test_a_session_that_is_closed_on_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, disk = tmp_path / "job.db", BadDisk()
    session, heard = begun(path, disk, monkeypatch)
    disk.times = 1
    session.submit({"do": "note", "text": "the kiln is cold"})
    session.submit({"do": "close", "seal": True})
    outcome = session.wait(30)
    assert outcome is not None
    assert outcome.error is None
    assert kinds_at_the_end(path) == ["closed", "seal"]
    assert [event.name for event in heard] == ["noted", "closed"]


def test_a_session_that_is_closed_on_one_that_never_takes_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, disk = tmp_path / "job.db", BadDisk()
    session, heard = begun(path, disk, monkeypatch)
    disk.times = 10_000
    session.submit({"do": "close", "seal": True})
    outcome = session.wait(30)
    assert outcome is not None
    assert isinstance(outcome.error, StorageFailed)
    assert heard == []
    with LogbookReader.open(path) as reader:
        assert reader.last(Kind.CLOSED, Kind.SEAL) is None
        assert check_integrity(reader).faults == ()


def test_a_good_day_ends_with_both(tmp_path: Path) -> None:
    good_day(tmp_path / "job.db")
    assert kinds_at_the_end(tmp_path / "job.db") == ["closed", "seal"]
