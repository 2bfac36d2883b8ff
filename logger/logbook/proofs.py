"""Proof bundles: that one entry stands in a logbook, shown without the rest of it.

A bundle is JSON: `entry` (number, at, kind, body), `index` (number - 1), `size`, `proof` (base64 hashes in RFC 9162
order), `note` (the signed checkpoint over `size` entries), `vkey` (who signed it). Whoever checks one needs nothing
else, except to know from elsewhere whose key that is.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from logger.errors import InputWrong, LogbookDamaged
from logger.logbook.entries import Entry, Kind, leaf_hash
from logger.logbook.merkle import HASH_BYTES, inclusion_proof, verify_inclusion
from logger.logbook.note import NoteWrong, VerifierKey, parse_vkey
from logger.logbook.reader import LogbookReader
from logger.logbook.seal import Checkpoint, SignedCheckpoint, parse_checkpoint
from logger.logbook.tiles import StoredTree

BUNDLE_BYTES_AT_MOST: Final = 16 * 1024 * 1024
"""Largest bundle that is looked at: the largest entry is a rule pack, some hundred kilobytes."""

PROOF_HASHES_AT_MOST: Final = 64
"""A tree of 2⁶³ entries has that many levels."""

_FIELDS: Final = {"entry", "index", "size", "proof", "note", "vkey"}
_ENTRY_FIELDS: Final = {"number", "at", "kind", "body"}


@dataclass(frozen=True, slots=True)
class Bundle:
    """A proof bundle, well formed; nothing of it is checked yet."""

    entry: Entry
    index: int
    size: int
    proof: tuple[bytes, ...]
    note: str
    vkey: str

    def text(self) -> str:
        """As it is written to a file."""
        entry = self.entry
        return json.dumps(
            {
                "entry": {"number": entry.number, "at": entry.at, "kind": str(entry.kind), "body": entry.body},
                "index": self.index,
                "size": self.size,
                "proof": [base64.b64encode(one).decode() for one in self.proof],
                "note": self.note,
                "vkey": self.vkey,
            },
            ensure_ascii=False,
            indent=1,
        )


@dataclass(frozen=True, slots=True)
class Proven:
    """What a bundle that holds shows."""

    entry: Entry
    checkpoint: Checkpoint
    key: VerifierKey


def prove(reader: LogbookReader, number: int) -> Bundle:
    """The evidence that entry `number` stands in the logbook, under its newest signed checkpoint. Checked before it is
    returned.

    Raises:
        InputWrong: if there is no such entry, or no signed checkpoint after it.
        LogbookDamaged: if the logbook does not bear it out.
    """
    entry = reader.entry(number)
    signed, note = _newest_checkpoint(reader, number)
    size = signed.checkpoint.size
    proof = tuple(inclusion_proof(number - 1, size, StoredTree(reader.connection).mth))
    bundle = Bundle(entry, number - 1, size, proof, note, _signer(reader, signed).text)
    try:
        check(bundle)
    except LogbookDamaged as error:
        raise LogbookDamaged(
            f"Entry {number} of {reader.path} does not agree with the checkpoint over {size} entries",
            "run `zerofirst audit` on it",
            entry=number,
        ) from error
    return bundle


def _newest_checkpoint(reader: LogbookReader, number: int) -> tuple[SignedCheckpoint, str]:
    entry = reader.last(Kind.CHECKPOINT, Kind.SEAL)
    if entry is None:
        raise InputWrong(f"{reader.path} has no signed checkpoint", "record and close it with an operator's key")
    note = str(entry.data.get("note"))
    try:
        signed = parse_checkpoint(note)
    except NoteWrong as error:
        raise LogbookDamaged(
            f"The checkpoint in entry {entry.number} cannot be read: {error}",
            "run `zerofirst audit`",
            entry=entry.number,
        ) from error
    if entry.kind == Kind.SEAL and number == entry.number:
        raise InputWrong(
            f"Entry {number} is the seal: no later checkpoint signs it, its own signature over entries 1 to "
            f"{signed.checkpoint.size} is its evidence",
            "prove any entry before it; the proof carries the seal's signature",
        )
    if number > signed.checkpoint.size:
        raise InputWrong(
            f"Entry {number} is newer than the last checkpoint, which signs entries 1 to {signed.checkpoint.size}",
            "prove an earlier entry, or close the logbook first",
        )
    return signed, note


def _signer(reader: LogbookReader, signed: SignedCheckpoint) -> VerifierKey:
    for key in known_keys(reader):
        if key.signed(signed.note):
            return key
    raise LogbookDamaged(f"No key that {reader.path} names signed its newest checkpoint", "run `zerofirst audit` on it")


def known_keys(reader: LogbookReader) -> Iterator[VerifierKey]:
    """The keys that a logbook introduces, in order; what is no key is passed over (the audit tells of it)."""
    for entry in reader.entries(kinds=[Kind.OPERATOR]):
        vkey = entry.data.get("vkey")
        if isinstance(vkey, str):
            try:
                yield parse_vkey(vkey)
            except NoteWrong:
                continue


def check(bundle: Bundle, vkey: str | None = None) -> Proven:
    """Check a bundle by itself.

    Args:
        bundle: what `read_bundle` gave.
        vkey: the key that must have signed, known from elsewhere; without it the bundle's own key is used, which shows
            that the bundle agrees with itself but not who made it.

    Raises:
        InputWrong: if `vkey` is no verifier key.
        LogbookDamaged: if the bundle does not hold, saying why.
    """
    key = _key(vkey, bundle.vkey)
    try:
        signed = parse_checkpoint(bundle.note)
    except NoteWrong as error:
        raise _false(f"its checkpoint cannot be read: {error}") from error
    if not key.signed(signed.note):
        raise _false("its checkpoint was not signed by that key")
    entry, checkpoint = bundle.entry, signed.checkpoint
    if checkpoint.size != bundle.size or entry.number != bundle.index + 1:
        raise _false("the numbers in it do not belong together")
    try:
        leaf = leaf_hash(entry.number, entry.at, entry.kind, entry.body)
    except (ValueError, OverflowError) as error:
        raise _false("its entry cannot be hashed") from error
    if not verify_inclusion(leaf, bundle.index, bundle.size, bundle.proof, checkpoint.head):
        raise _false(f"entry {entry.number} as it stands there is not among the {bundle.size} entries that were signed")
    return Proven(entry, checkpoint, key)


def _key(asked: str | None, own: str) -> VerifierKey:
    try:
        theirs = parse_vkey(own)
    except NoteWrong as error:
        raise _false(f"its key cannot be read: {error}") from error
    if asked is None:
        return theirs
    try:
        key = parse_vkey(asked.strip())
    except NoteWrong as error:
        raise InputWrong(f"That is no verifier key: {error}", "give the `vkey` text of the operator") from error
    if key != theirs:
        raise _false(f"it was signed by another key ({theirs.fingerprint})")
    return key


def read_bundle(text: str) -> Bundle:
    """Read a bundle's JSON, strictly: nothing missing, nothing twice, nothing more.

    Raises:
        InputWrong: if it is no bundle.
        LogbookDamaged: if it holds more than a bundle does.
    """
    try:
        found = json.loads(text, object_pairs_hook=_once, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise _no_bundle("it is not JSON as a bundle has it") from error
    entry = found.get("entry") if isinstance(found, dict) else None
    if not isinstance(entry, dict) or not found.keys() >= _FIELDS or not entry.keys() >= _ENTRY_FIELDS:
        raise _no_bundle("fields are missing")
    if found.keys() > _FIELDS or entry.keys() > _ENTRY_FIELDS:
        raise _false("it holds fields that no proof has")
    numbers = (found["index"], found["size"], entry["number"])
    texts = (found["note"], found["vkey"], entry["at"], entry["kind"], entry["body"])
    if any(type(one) is not int or not 0 <= one < 1 << 63 for one in numbers):
        raise _no_bundle("a number is none")
    if any(type(one) is not str for one in texts):
        raise _no_bundle("a text is none")
    proof = _hashes(found["proof"])
    stands = Entry(entry["number"], entry["at"], entry["kind"], entry["body"], b"")
    return Bundle(stands, found["index"], found["size"], proof, found["note"], found["vkey"])


def _hashes(found: Any) -> tuple[bytes, ...]:
    if not isinstance(found, list) or len(found) > PROOF_HASHES_AT_MOST:
        raise _no_bundle("its proof is no list of hashes")
    try:
        hashes = tuple(base64.b64decode(one, validate=True) for one in found)
    except (binascii.Error, ValueError, TypeError) as error:
        raise _no_bundle("its proof is not base64") from error
    if any(len(one) != HASH_BYTES for one in hashes):
        raise _no_bundle("a hash in its proof is not of 32 bytes")
    if [base64.b64encode(one).decode() for one in hashes] != found:
        raise _no_bundle("its base64 is not in the one form allowed")
    return hashes


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a field stands twice")
    return found


def _no_number(_: str) -> None:
    raise ValueError("not a number")


def _no_bundle(why: str) -> InputWrong:
    return InputWrong(f"That is no proof bundle: {why}", "give a file that `zerofirst prove-entry` made")


def _false(why: str) -> LogbookDamaged:
    return LogbookDamaged(f"The evidence does not hold: {why}", "ask for it again from whoever holds the logbook")
