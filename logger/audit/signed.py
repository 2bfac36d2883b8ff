"""The keys that sign in a logbook, and each checkpoint's signature. Whether its head fits is `tree`'s question."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any, Final

from logger.audit.report import CheckpointSeen, Faults, KeySeen, Wrong
from logger.audit.windows import Row
from logger.logbook.note import Note, NoteWrong, VerifierKey, parse_note, parse_vkey
from logger.logbook.seal import Checkpoint, SignedCheckpoint, key_change_text, parse_checkpoint

WAITING_AT_MOST: Final = 1000
"""Checkpoints whose signatures wait for a later one to speak for them: memory stays flat."""


@dataclass(slots=True)
class _Waiting:
    """A checkpoint whose signature is not settled.

    Attributes:
        index: its place among those seen.
        since: from which entry on no earlier one has spoken.
        alone: nobody may speak for it: its entry, or one near it, is not as it was stored.
        covers: its head is that of everything before it as it stands, so that it can speak for the earlier ones.
    """

    index: int
    since: int
    key: VerifierKey
    note: Note
    alone: bool
    covers: bool = False


class SignatureCheck:
    """Follows the keys and checkpoints of one logbook.

    A signature that holds over a head that fits vouches for every byte before it, earlier checkpoints of the same key
    among them: those need not be verified one by one. Whatever is out of order is.
    """

    def __init__(self, logbook: str, pinned: tuple[VerifierKey, ...], faults: Faults) -> None:
        self._logbook = logbook
        self._faults = faults
        self._only_trusted = bool(pinned)
        self._trusted = set(pinned)
        self._known = {(key.name, key.key_hash): key for key in pinned}
        self._introduced: list[VerifierKey] = []
        self._newest = 1
        """Entry of the newest checkpoint, whatever it is worth: what stands before it has been judged by it."""
        self._waiting: list[_Waiting] = []
        self.strangers: list[tuple[int, int]] = []
        """Checkpoints by keys that the logbook introduces but that were not asked for, each with that before it."""
        self.keys: list[KeySeen] = []
        self.checkpoints: list[CheckpointSeen] = []

    def operator(self, row: Row) -> None:
        """An `operator` entry: a key that signs from here on, perhaps vouched for by an earlier one."""
        body = self._body(row)
        if "vkey" not in body:
            return
        try:
            key = parse_vkey(str(body["vkey"]))
        except NoteWrong as error:
            self._faults.add(Wrong.KEY, f"The key in entry {row[0]} cannot be read: {error}.", row[0])
            return
        if key in self._introduced:
            return
        vouched = not self._introduced or self._is_vouched(row[0], key, body.get("change"))
        self._introduced.append(key)
        self._known[key.name, key.key_hash] = key
        self.keys.append(KeySeen(row[0], key.text, key.fingerprint, vouched))

    def _is_vouched(self, entry: int, key: VerifierKey, change: object) -> bool:
        if change is None:
            return False
        try:
            note = parse_note(str(change))
        except NoteWrong as error:
            self._faults.add(Wrong.KEY, f"The change of key in entry {entry} cannot be read: {error}.", entry)
            return False
        for old in self._introduced:
            right_text = note.text == key_change_text(self._logbook, old.text, key.text)
            if right_text and old.signed(note) and key.signed(note):
                if old in self._trusted:
                    self._trusted.add(key)
                return True
        self._faults.add(Wrong.KEY, f"The change of key in entry {entry} is not signed by both keys.", entry)
        return False

    def checkpoint(self, row: Row, alone: bool) -> Checkpoint | None:
        """A checkpoint or seal: what it says; None where it counts for nothing. Its signature is settled later.

        Args:
            row: the entry.
            alone: something in its tile is out of order, so that no later checkpoint may speak for it.
        """
        since, self._newest = self._newest, row[0]
        try:
            signed = parse_checkpoint(str(self._body(row).get("note")))
        except NoteWrong as error:
            sentence = f"The checkpoint in entry {row[0]} cannot be read: {error}."
            self._faults.add(Wrong.CHECKPOINT, sentence, since, row[0])
            return None
        said, key = signed.checkpoint, self._signer(signed)
        at = row[1].decode("utf-8", "replace")
        fingerprint = key.fingerprint if key else ""
        self.checkpoints.append(CheckpointSeen(row[0], said.size, at, said.head, fingerprint, holds=False))
        if key is None and self._only_trusted and self._is_introduced(signed):
            self.strangers.append((since, row[0]))
            return None
        if key is None:
            asked = "that was asked for" if self._only_trusted else "that the logbook introduced before it"
            sentence = f"The checkpoint in entry {row[0]} is not signed by a key {asked}."
            self._faults.add(Wrong.KEY, sentence, since, row[0])
            return None
        if len(self._waiting) >= WAITING_AT_MOST:
            self.settle()
        self._waiting.append(_Waiting(len(self.checkpoints) - 1, since, key, signed.note, alone))
        return said

    def covers(self) -> None:
        """The head of the checkpoint just given is that of everything before it as it stands."""
        self._waiting[-1].covers = True

    def _signer(self, signed: SignedCheckpoint) -> VerifierKey | None:
        for each in signed.note.signatures:
            key = self._known.get((each.name, each.key_hash))
            if key is not None and (not self._only_trusted or key in self._trusted):
                return key
        return None

    def _is_introduced(self, signed: SignedCheckpoint) -> bool:
        return any((each.name, each.key_hash) in self._known for each in signed.note.signatures)

    def refuse_stranger(self, since: int, entry: int) -> None:
        """A checkpoint among `strangers` signs more than its own remark."""
        sentence = f"The checkpoint in entry {entry} is not signed by a key that was asked for."
        self._faults.add(Wrong.KEY, sentence, since, entry)

    def _body(self, row: Row) -> dict[str, Any]:
        try:
            body = json.loads(row[3])
        except (ValueError, RecursionError):
            body = None
        if not isinstance(body, dict):
            self._faults.add(Wrong.JSON, "No JSON object: {span}.", row[0])
            return {}
        return body

    def settle(self) -> None:
        """Decide about every signature given so far."""
        waiting, self._waiting = self._waiting, []
        verdicts = []
        spoken_for: set[VerifierKey] = set()
        for each in reversed(waiting):
            holds = (each.key in spoken_for and not each.alone) or each.key.signed(each.note)
            if holds and each.covers:
                spoken_for.add(each.key)
            verdicts.append(holds)
        for each, holds in zip(waiting, reversed(verdicts), strict=True):
            self._judge(each, holds)

    def _judge(self, waiting: _Waiting, holds: bool) -> None:
        seen = self.checkpoints[waiting.index]
        self.checkpoints[waiting.index] = replace(seen, holds=holds)
        if not holds:
            self._faults.add(
                Wrong.CHECKPOINT,
                f"The signature of the checkpoint in entry {seen.entry} fails: it or what it signs was changed.",
                waiting.since,
                seen.entry,
            )

    def good(self, disagreeing: set[int]) -> int:
        """How many entries a signed head confirms, once settled; `disagreeing`: checkpoints whose head does not fit."""
        sizes = (each.size for each in reversed(self.checkpoints) if each.holds and each.entry not in disagreeing)
        return next(sizes, 0)

    def finish(self, disagreeing: set[int]) -> None:
        """Settle everything; a checkpoint whose head did not fit does not hold, whoever signed it."""
        self.settle()
        self.checkpoints = [
            replace(each, holds=each.holds and each.entry not in disagreeing) for each in self.checkpoints
        ]
