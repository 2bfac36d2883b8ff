"""Does today's logbook extend the one that a checkpoint kept elsewhere was made of?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.errors import InputWrong, LogbookDamaged
from logger.logbook.bundle_file import read_text
from logger.logbook.entries import Kind
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
        wrong_file: the checkpoint itself is the wrong one (another logbook's, changed, signed by a stranger): it says
            nothing of this logbook either way.
    """

    holds: bool
    old: Checkpoint
    size: int
    fingerprint: str
    sentence: str
    wrong_file: bool = False


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
    differs = _why_not(old, reader, size)
    wrong_file = _wrong_file(signed, reader, fingerprint, differs, asked=vkey is not None)
    why = wrong_file or differs
    return Extension(not why, old, size, fingerprint, why or _agrees(old, size), bool(wrong_file))


def refuse_wrong(path: Path, extensions: Sequence[Extension]) -> None:
    """Raise InputWrong if the checkpoint in the file `path` is the wrong one for every logbook it was held against."""
    if extensions and all(each.wrong_file for each in extensions):
        few = extensions[0].sentence.rstrip(".")
        said = few if len(extensions) == 1 else f"It fits none of these {len(extensions)} logbooks. Of the first: {few}"
        raise InputWrong(
            f"The checkpoint in {path} cannot be held against this: {said}",
            "name the file as it was saved, and the logbook that it was made of",
        )


def _signer(signed: SignedCheckpoint, reader: LogbookReader, vkey: str | None) -> str:
    try:
        keys = [parse_vkey(vkey.strip())] if vkey is not None else list(known_keys(reader))
    except NoteWrong as error:
        raise InputWrong(f"That is no verifier key: {error}", "give the `vkey` text of the operator") from error
    return next((key.fingerprint for key in keys if key.signed(signed.note)), "")


def _wrong_file(signed: SignedCheckpoint, reader: LogbookReader, fingerprint: str, differs: str, *, asked: bool) -> str:
    """Why the checkpoint says nothing of this logbook; empty where it does.

    One by a key that the logbook does not name says nothing where the two agree. Where they do not, the logbook may
    have been written anew under another key: that is for the logbook to explain.
    """
    old = signed.checkpoint
    if old.logbook != reader.id and old.logbook != _named_inside(reader):
        return f"It was made in another logbook ({old.logbook}), this one is {reader.id}."
    if fingerprint:
        return ""
    if asked:
        return "It is not signed by the key that was named, or it was changed since."
    known = {(key.name, key.key_hash) for key in known_keys(reader)}
    if any((each.name, each.key_hash) in known for each in signed.note.signatures):
        return "Its signature fails: it was changed after it was signed."
    if differs:
        return ""
    return "It is signed by a key that this logbook does not name; where you know the key, name it with --key."


def _named_inside(reader: LogbookReader) -> str:
    """The id under which its newest checkpoint was signed: another than the logbook's own, if entry 1 was changed."""
    entry = reader.last(Kind.CHECKPOINT, Kind.SEAL)
    try:
        return parse_checkpoint(str(entry.data.get("note"))).checkpoint.logbook if entry else ""
    except (NoteWrong, LogbookDamaged):
        return ""


def _why_not(old: Checkpoint, reader: LogbookReader, size: int) -> str:
    if old.logbook != reader.id:
        return f"The checkpoint was made in this logbook when entry 1 was another (then {old.logbook}): it was changed."
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
