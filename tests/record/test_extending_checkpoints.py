"""A checkpoint kept elsewhere shows later whether today's logbook extends it."""

from __future__ import annotations

from pathlib import Path

import pytest
from forgeries import nicer, signed_anew, with_tiles
from record_kit import FIRST, KEY, OTHER_KEY, forging, logbook_of, reading

from logger.audit.extension import checkpoint_in, verify_extension
from logger.clock import ManualClock
from logger.errors import InputWrong
from logger.logbook.bundle_file import write_bundle
from logger.logbook.entries import Kind
from logger.logbook.proofs import prove
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook


@pytest.fixture
def grown(tmp_path: Path) -> tuple[Path, list[str]]:
    """A logbook, and every checkpoint that it ever had."""
    path = logbook_of(tmp_path / "kiln.logbook", 700)
    with LogbookReader.open(path) as reader:
        return path, [str(entry.data["note"]) for entry in reader.entries(kinds=[Kind.CHECKPOINT])]


def test_every_checkpoint_is_extended(grown: tuple[Path, list[str]]) -> None:
    path, notes = grown
    assert len(notes) > 2
    with Logbook.open(path, ManualClock(), KEY) as logbook:
        logbook.append(Kind.NOTE, {})
    with LogbookReader.open(path) as reader:
        for note in notes:
            answer = verify_extension(note, reader)
            assert answer.holds, answer
            assert answer.fingerprint == KEY.fingerprint
            assert answer.size == reader.size
            assert verify_extension(note, reader, KEY.vkey).holds
            assert verify_extension(note.rstrip("\n"), reader).holds, "as it comes out of an e-mail"


def test_every_size_is_extended(tmp_path: Path) -> None:
    path = tmp_path / "small.logbook"
    notes = []
    with Logbook.create(path, FIRST, ManualClock(), KEY) as logbook:
        for n in range(70):
            logbook.append(Kind.READING, reading(n))
            logbook.checkpoint()
    with LogbookReader.open(path) as reader:
        notes = [str(entry.data["note"]) for entry in reader.entries(kinds=[Kind.CHECKPOINT])]
        assert all(verify_extension(note, reader).holds for note in notes)


def test_a_history_rewritten_before_it_is_told(grown: tuple[Path, list[str]]) -> None:
    path, notes = grown
    with forging(path) as connection:
        signed_anew(with_tiles(nicer), KEY, and_the_key=False)(connection)
    with LogbookReader.open(path) as reader:
        answers = [verify_extension(note, reader).holds for note in notes]
    assert answers == [True] + [False] * (len(notes) - 1), "what was signed before the change still stands"


def test_another_logbooks_checkpoint(grown: tuple[Path, list[str]], tmp_path: Path) -> None:
    other = tmp_path / "other.logbook"
    with Logbook.create(other, [(Kind.JOB, {"title": "tool store"})], ManualClock(), KEY) as logbook:
        logbook.checkpoint()
    with LogbookReader.open(other) as reader:
        answer = verify_extension(grown[1][0], reader)
    assert not answer.holds
    assert "another logbook" in answer.sentence


def test_a_checkpoint_that_nobody_known_signed(grown: tuple[Path, list[str]]) -> None:
    with LogbookReader.open(grown[0]) as reader:
        assert not verify_extension(grown[1][0], reader, OTHER_KEY.vkey).holds
        with pytest.raises(InputWrong, match="no verifier key"):
            verify_extension(grown[1][0], reader, "x")


@pytest.mark.parametrize("text", ["", "hello", "zerofirst/x\n1\nAAAA\n\n— a b\n"])
def test_what_is_no_checkpoint(grown: tuple[Path, list[str]], text: str) -> None:
    with LogbookReader.open(grown[0]) as reader, pytest.raises(InputWrong, match="no checkpoint"):
        verify_extension(text, reader)


def test_checkpoints_in_files(grown: tuple[Path, list[str]], tmp_path: Path) -> None:
    note_file, bundle_file = tmp_path / "checkpoint.txt", tmp_path / "proof.json"
    note_file.write_text(grown[1][1], encoding="utf-8")
    with LogbookReader.open(grown[0]) as reader:
        write_bundle(bundle_file, prove(reader, 5))
        assert verify_extension(checkpoint_in(note_file), reader).holds
        assert verify_extension(checkpoint_in(bundle_file), reader).holds
    with pytest.raises(InputWrong):
        checkpoint_in(tmp_path / "missing")
    note_file.write_bytes(b"\xff\xfe")
    with pytest.raises(InputWrong):
        checkpoint_in(note_file)
