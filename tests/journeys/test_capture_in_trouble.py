"""Capture when its surroundings fail it: a logbook held locked by another program, a reader that does not read."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from stranger import PLAN, recording, run


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN)
    assert run("new", "plan.toml", "job.db", cwd=tmp_path).returncode == 0
    return tmp_path


def test_a_logbook_that_another_program_holds_is_told_and_written_once_it_lets_go(shed: Path) -> None:
    with recording("job.db", "keyed:?serial=7&model=Dial", shed) as recorder:
        errors = recorder.child.stderr
        assert errors is not None
        recorder.event("ready")
        with closing(sqlite3.connect(shed / "job.db", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            recorder.say({"do": "note", "text": "the shelf is loose", "id": "n"})
            said = errors.readline()
            assert "another program holds the file" in said
            assert "Nothing is confirmed until it is written" in said
            assert not [event for event in recorder.seen if event.get("id") == "n"]
            other.execute("ROLLBACK")
        assert recorder.until(lambda event: event.get("id") == "n")["event"] == "noted"
        assert "all that waited is written" in errors.readline()
        assert recorder.end() == 0


def test_a_reader_that_does_not_read_holds_no_recording_up(shed: Path) -> None:
    """The pipe is full long before the last note; all stand in the logbook before anything is read of it."""
    notes, text, count = 4_000, "x" * 200, 0
    with recording("job.db", "keyed:", shed) as recorder:
        recorder.event("ready")
        with recorder.reading_nothing(), closing(sqlite3.connect(shed / "job.db")) as book:
            for number in range(notes):
                recorder.say({"do": "note", "text": f"{text} {number}"})
            while count < notes:
                (count,) = book.execute("SELECT count(*) FROM entries WHERE kind = 'note'").fetchone()
                assert recorder.child.poll() is None
        assert recorder.end() == 0
        assert len([event for event in recorder.seen if event["event"] == "noted"]) == notes
