"""Signed notes (C2SP signed-note), Ed25519 only: a text, an empty line, and lines `— NAME BASE64(key hash ‖
signature)`.

Strict where a lenient reader would let two texts pass for one: canonical base64, plain line ends, bounded size.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

ED25519: Final = b"\x01"
"""C2SP's signature type byte for Ed25519."""

KEY_HASH_BYTES: Final = 4
PUBLIC_KEY_BYTES: Final = 32
SIGNATURE_BYTES: Final = 64

NOTE_BYTES_AT_MOST: Final = 64 * 1024
"""A checkpoint is a few hundred bytes; the bound keeps a hostile note from costing time."""

SIGNATURES_AT_MOST: Final = 100
"""C2SP lets verifiers stop there."""

KEYS_LOADED_AT_MOST: Final = 64
"""Public keys kept ready: a logbook has one or two."""

_CONTROL: Final = re.compile(r"[\x00-\x09\x0b-\x1f]")

_MARK: Final = "— "


class NoteWrong(ValueError):
    """Not a signed note, or one that is not written in the one form allowed. `str()` says why."""


@dataclass(frozen=True, slots=True)
class Signature:
    """One signature line."""

    name: str
    key_hash: bytes
    signature: bytes

    @property
    def line(self) -> str:
        """As it stands in a note, with its line end."""
        return f"{_MARK}{self.name} {base64.b64encode(self.key_hash + self.signature).decode()}\n"


@dataclass(frozen=True, slots=True)
class Note:
    """A text (ending in a line end) and who signed it; nothing is verified yet."""

    text: str
    signatures: tuple[Signature, ...]


@dataclass(frozen=True, slots=True)
class VerifierKey:
    """A public key by name."""

    name: str
    public: bytes

    @property
    def key_hash(self) -> bytes:
        """Four bytes that tell keys apart."""
        return key_hash(self.name, self.public)

    @property
    def text(self) -> str:
        """C2SP verifier key: `NAME+HASH+BASE64`."""
        return f"{self.name}+{self.key_hash.hex()}+{base64.b64encode(ED25519 + self.public).decode()}"

    @property
    def fingerprint(self) -> str:
        """Eight groups of four hex digits, to compare by eye or read out."""
        return fingerprint(self.public)

    def signed(self, note: Note) -> bool:
        """Whether this key signed the note's text."""
        mine = [each for each in note.signatures if each.name == self.name and each.key_hash == self.key_hash]
        return bool(mine) and all(self._verifies(note.text.encode(), each.signature) for each in mine)

    def _verifies(self, message: bytes, signature: bytes) -> bool:
        from cryptography.exceptions import InvalidSignature

        try:
            _loaded(self.public).verify(signature, message)
        except (InvalidSignature, ValueError):
            return False
        return True


@lru_cache(maxsize=KEYS_LOADED_AT_MOST)
def _loaded(public: bytes) -> Ed25519PublicKey:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    return Ed25519PublicKey.from_public_bytes(public)


@lru_cache(maxsize=KEYS_LOADED_AT_MOST)
def fingerprint(public: bytes) -> str:
    """Eight groups of four hex digits of a public key."""
    digits = sha256(public).hexdigest()
    return " ".join(digits[at : at + 4] for at in range(0, 32, 4))


@lru_cache(maxsize=KEYS_LOADED_AT_MOST)
def key_hash(name: str, public: bytes) -> bytes:
    """C2SP key hash of an Ed25519 key."""
    return sha256(name.encode() + b"\n" + ED25519 + public).digest()[:KEY_HASH_BYTES]


def is_key_name(name: str) -> bool:
    """Whether C2SP allows the name: not empty, no space, no plus."""
    return bool(name) and name.isprintable() and "+" not in name and not any(map(str.isspace, name))


def parse_vkey(text: str) -> VerifierKey:
    """Read a C2SP verifier key.

    Raises:
        NoteWrong: if it is none, of another type than Ed25519, or its hash does not belong to it.
    """
    parts = text.split("+", 2)
    if len(parts) != 3 or not is_key_name(parts[0]):
        raise NoteWrong("not a verifier key (NAME+HASH+KEY)")
    data = _base64(parts[2])
    if len(data) != 1 + PUBLIC_KEY_BYTES or data[:1] != ED25519:
        raise NoteWrong("not an Ed25519 verifier key")
    key = VerifierKey(parts[0], data[1:])
    if key.key_hash.hex() != parts[1]:
        raise NoteWrong("the hash in the verifier key does not belong to it")
    return key


def write_note(text: str, signatures: Sequence[Signature]) -> str:
    """A signed note. `text` ends in a line end."""
    return f"{text}\n{''.join(each.line for each in signatures)}"


def parse_note(note: str) -> Note:
    """Read a signed note; verifies nothing.

    Raises:
        NoteWrong: saying why.
    """
    try:
        size_bytes = len(note.encode())
    except UnicodeEncodeError as error:
        raise NoteWrong("not UTF-8") from error
    if size_bytes > NOTE_BYTES_AT_MOST:
        raise NoteWrong(f"longer than {NOTE_BYTES_AT_MOST} bytes")
    if _CONTROL.search(note):
        raise NoteWrong("it holds control characters")
    text, empty_line, signed = note.rpartition("\n\n")
    if not empty_line or not signed.endswith("\n"):
        raise NoteWrong("it has no signature lines")
    lines = signed[:-1].split("\n")
    if len(lines) > SIGNATURES_AT_MOST:
        raise NoteWrong(f"more than {SIGNATURES_AT_MOST} signatures")
    return Note(text + "\n", tuple(_signature(line) for line in lines))


def _signature(line: str) -> Signature:
    parts = line.removeprefix(_MARK).split(" ")
    if not line.startswith(_MARK) or len(parts) != 2 or not is_key_name(parts[0]):
        raise NoteWrong("a signature line is malformed")
    data = _base64(parts[1])
    if len(data) != KEY_HASH_BYTES + SIGNATURE_BYTES:
        raise NoteWrong("a signature is not of Ed25519's length")
    return Signature(parts[0], data[:KEY_HASH_BYTES], data[KEY_HASH_BYTES:])


def _base64(text: str) -> bytes:
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError) as error:
        raise NoteWrong("it holds what is not base64") from error
    if base64.b64encode(data).decode() != text:
        raise NoteWrong("its base64 is not in the one form allowed")
    return data
