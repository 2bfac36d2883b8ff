"""Checkpoints: what is signed of a logbook, and how one key vouches for the next. Texts only; it reads no file."""

from __future__ import annotations

import base64
import binascii
from dataclasses import dataclass
from typing import Final

from logger.logbook.keys import OperatorKey
from logger.logbook.merkle import HASH_BYTES
from logger.logbook.note import Note, NoteWrong, parse_note, write_note

ORIGIN: Final = "zerofirst/"

KEY_CHANGE: Final = "key change"
"""Second line of the note by which one key vouches for the next; a checkpoint has a number there."""


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The head of a logbook's tree over its first `size` entries."""

    logbook: str
    """The logbook's id."""
    size: int
    head: bytes

    @property
    def text(self) -> str:
        """C2SP tlog-checkpoint: origin, size, head, each on a line."""
        return f"{ORIGIN}{self.logbook}\n{self.size}\n{base64.b64encode(self.head).decode()}\n"

    @property
    def short_code(self) -> str:
        """Size and the first 16 hex digits of the head, in groups of four: to print and to compare by eye."""
        digits = self.head.hex()[:16]
        return f"{self.size}-{'-'.join(digits[at : at + 4] for at in range(0, 16, 4))}"


@dataclass(frozen=True, slots=True)
class SignedCheckpoint:
    """A checkpoint with the note that carries it; the signature is not verified yet."""

    checkpoint: Checkpoint
    note: Note


def sign_checkpoint(checkpoint: Checkpoint, key: OperatorKey) -> str:
    """The signed note of a checkpoint."""
    return write_note(checkpoint.text, [key.sign(checkpoint.text)])


def parse_checkpoint(note: str) -> SignedCheckpoint:
    """Read a checkpoint's signed note; verifies no signature.

    Raises:
        NoteWrong: if it is none, saying why.
    """
    parsed = parse_note(note)
    lines = parsed.text.split("\n")
    if len(lines) != 4 or not lines[0].startswith(ORIGIN):
        raise NoteWrong("not a checkpoint of a logbook")
    size = lines[1]
    if not (size.isascii() and size.isdigit() and len(size) < 20 and str(int(size)) == size):
        raise NoteWrong("its size is not a number")
    try:
        head = base64.b64decode(lines[2], validate=True)
    except (binascii.Error, ValueError) as error:
        raise NoteWrong("its tree head is not base64") from error
    checkpoint = Checkpoint(lines[0].removeprefix(ORIGIN), int(size), head)
    if len(head) != HASH_BYTES or checkpoint.text != parsed.text:
        raise NoteWrong("its tree head is not in the one form allowed")
    return SignedCheckpoint(checkpoint, parsed)


def key_change_text(logbook: str, old_vkey: str, new_vkey: str) -> str:
    """What both keys sign when one follows the other in a logbook."""
    return f"{ORIGIN}{logbook}\n{KEY_CHANGE}\n{old_vkey}\n{new_vkey}\n"


def sign_key_change(logbook: str, old: OperatorKey, new: OperatorKey) -> str:
    """The note of a key change, signed by both."""
    text = key_change_text(logbook, old.vkey, new.vkey)
    return write_note(text, [old.sign(text), new.sign(text)])
