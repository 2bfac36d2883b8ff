"""Adding a signed remark: to the logbook itself while it takes entries, beside it once it is closed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.audit.remarks_beside import first_entries, name_beside, why_not_its
from logger.clock import Clock
from logger.errors import InputWrong, LogbookUnusable
from logger.logbook import files, handles
from logger.logbook.entries import Kind
from logger.logbook.examine import examine
from logger.logbook.keys import OperatorKey
from logger.logbook.reader import LogbookReader
from logger.logbook.seal import Checkpoint, parse_checkpoint
from logger.logbook.writer import Logbook
from logger.recorder.limits import TEXT_AT_MOST

WHO_AT_MOST: Final = 80
"""Longest name, and longest role, characters."""

AUDITOR: Final = "auditor"
"""The role of whoever remarks, where nothing else is said."""


@dataclass(frozen=True, slots=True)
class Words:
    """What is said, by whom.

    Attributes:
        about: number of the entry that it is about.
        text: 1 to `TEXT_AT_MOST` characters; by, role: 1 to `WHO_AT_MOST`.
    """

    about: int
    text: str
    by: str
    role: str = AUDITOR


@dataclass(frozen=True, slots=True)
class Written:
    """A remark that is on disk: where it stands, and the checkpoint that signs it."""

    path: Path
    entry: int
    checkpoint: Checkpoint
    key: OperatorKey


def write_remark(path: Path, words: Words, key_for: Callable[[str], OperatorKey], clock: Clock) -> Written:
    """Add a remark, durable on return; nothing at all is added where this raises.

    Args:
        key_for: the own key of whoever remarks, by name; asked only once all else is right.

    Raises:
        InputWrong: if there is no such entry, the words are too few or too many, or the key cannot be used.
        LogbookUnusable: no logbook, held by another program, or on a medium that cannot be written to.
        LogbookDamaged: damaged, so that nothing may be added.
        StorageFailed: if the disk failed.
    """
    body = _body(words)
    refuse_while_recording(path)
    with LogbookReader.open(path) as reader:
        reader.entry(words.about)
        ended = reader.last(Kind.CLOSED, Kind.SEAL) is not None
    key = key_for(words.by.strip())
    target = name_beside(path) if ended else path
    with _opened_beside(path, target, key, clock) if ended else Logbook.open(path, clock, key) as logbook:
        number, signed_at = logbook.remark(body)
        logbook.commit()
    with LogbookReader.open(target) as reader:
        signed = parse_checkpoint(str(reader.entry(signed_at).data["note"]))
    return Written(target, number, signed.checkpoint, key)


def refuse_while_recording(path: Path) -> None:
    """Raise LogbookUnusable where this very program records the logbook: a remark is no part of the recording.

    Raises:
        LogbookUnusable: or if there is no logbook.
    """
    examine(path)
    if handles.is_written_here(files.identity(path)):
        raise LogbookUnusable(
            f"{path} is being recorded by this very program",
            "leave the recording first, then audit the logbook; a note can be written meanwhile",
        )


def _opened_beside(path: Path, target: Path, key: OperatorKey, clock: Clock) -> Logbook:
    """The logbook of remarks on the one at `path`, begun where there is none."""
    with LogbookReader.open(path) as reader:
        if not target.exists():
            return Logbook.create(target, list(first_entries(reader)), clock, key)
        with LogbookReader.open(target) as its:
            trouble = why_not_its(its, reader)
    if trouble:
        raise LogbookUnusable(trouble.rstrip("."), "move it away, then remark again")
    return Logbook.open(files.whole(target), clock, key)


def _body(words: Words) -> dict[str, object]:
    for what, text, at_most in (
        ("The remark", words.text, TEXT_AT_MOST),
        ("The name", words.by, WHO_AT_MOST),
        ("The role", words.role, WHO_AT_MOST),
    ):
        if not text.strip():
            raise InputWrong(f"{what} has no words", "say what is remarked, by whom, in which role")
        if len(text) > at_most:
            raise InputWrong(f"{what} is longer than {at_most} characters", "say it in fewer words")
    texts = {"text": words.text.strip(), "by": words.by.strip(), "role": words.role.strip()}
    return {"about": words.about, **texts}
