"""Does today's logbook extend the one that a checkpoint kept elsewhere was made of?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from logger.errors import InputWrong, LogbookDamaged
from logger.logbook.bundle_file import read_text
from logger.logbook.merkle import consistency_proof, verify_consistency
from logger.logbook.note import NoteWrong, parse_vkey
from logger.logbook.proofs import known_keys
from logger.logbook.reader import LogbookReader
from logger.logbook.seal import Checkpoint, SignedCheckpoint, parse_checkpoint
from logger.logbook.tiles import StoredTree


@dataclass(frozen=True, slots=True)
class Extension:
    """Whether it does.

    Attributes:
        holds: every entry that the checkpoint signed is still there, in its place and unchanged.
        old: the checkpoint.
        size: how many entries the logbook has now.
        fingerprint: of the key that signed the checkpoint; empty where none that the logbook or the caller names did.
        sentence: the outcome for a person.
    """

    holds: bool
    old: Checkpoint
    size: int
    fingerprint: str
    sentence: str


def checkpoint_in(path: Path) -> str:
    """The checkpoint's note in a file that somebody kept: the note itself, or a proof bundle.

    Raises:
        InputWrong: if there is none.
    """
    from logger.logbook.proofs import read_bundle

    text = read_text(path, "checkpoint")
    return read_bundle(text).note if text.lstrip().startswith("{") else text


def verify_extension(note: str, reader: LogbookReader, vkey: str | None = None) -> Extension:
    """Compare a checkpoint kept elsewhere with the logbook as it is now. Its leaves are taken as they are stored: check
    `integrity` first, which compares them with the entries.

    Args:
        note: the signed note.
        reader: the logbook.
        vkey: the key that must have signed the note; else any that the logbook introduces.

    Raises:
        InputWrong: if the note is no checkpoint, or the key none.
    """
    try:
        signed = parse_checkpoint(note if note.endswith("\n") else note + "\n")
    except NoteWrong as error:
        raise InputWrong(f"That is no checkpoint: {error}", "give the note as it was saved") from error
    old, size = signed.checkpoint, reader.size
    fingerprint = _signer(signed, reader, vkey)
    why = _why_not(old, reader, size, fingerprint)
    return Extension(not why, old, size, fingerprint, why or _agrees(old, size))


def _signer(signed: SignedCheckpoint, reader: LogbookReader, vkey: str | None) -> str:
    try:
        keys = [parse_vkey(vkey.strip())] if vkey is not None else list(known_keys(reader))
    except NoteWrong as error:
        raise InputWrong(f"That is no verifier key: {error}", "give the `vkey` text of the operator") from error
    return next((key.fingerprint for key in keys if key.signed(signed.note)), "")


def _why_not(old: Checkpoint, reader: LogbookReader, size: int, fingerprint: str) -> str:
    if old.logbook != reader.id:
        return f"The checkpoint was made in another logbook ({old.logbook}), or entry 1 was changed."
    if not fingerprint:
        return "The checkpoint is not signed by a key that counts here, so it shows nothing."
    if old.size > size:
        return f"The checkpoint signs {old.size} entries, but only {size} are left: the end was cut off."
    if not _extends(old, reader, size):
        return f"Among entries 1 to {old.size} something is not as it was when the checkpoint was signed."
    return ""


def _extends(old: Checkpoint, reader: LogbookReader, size: int) -> bool:
    """By a consistency proof between the two heads, as somebody without the logbook would be shown."""
    if old.size == 0:
        return True
    stored = StoredTree(reader.connection)
    try:
        proof = consistency_proof(old.size, size, stored.mth)
        return verify_consistency(old.size, size, old.head, stored.mth(0, size), proof)
    except LogbookDamaged:
        return False


def _agrees(old: Checkpoint, size: int) -> str:
    added = size - old.size
    since = "nothing was added" if not added else f"{added} {'entry was' if added == 1 else 'entries were'} added"
    return f"All {old.size} entries that the checkpoint signed are still there, unchanged; {since} since."
