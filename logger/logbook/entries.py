"""An entry: its kinds, its canonical text and its leaf hash.

The leaf is SHA-256(0x00 ‖ u64(number) ‖ u32(len at) ‖ at ‖ u32(len kind) ‖ kind ‖ u32(len body) ‖ body), integers
big-endian, text UTF-8, lengths in bytes, so that an outsider can verify in any language. What a body means is
not known here.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from hashlib import sha256
from struct import Struct
from typing import Any, Final

from logger.errors import LogbookDamaged

LEAF_BYTES: Final = 32
"""A leaf is one SHA-256."""


class Kind(StrEnum):
    """What an entry tells of."""

    JOB = "job"
    RULES = "rules"
    OPERATOR = "operator"
    """Who signs from here on: `vkey`, and `change` where an earlier key vouches for it."""
    OPENED = "opened"
    """A capture session began: software version, operator, host."""
    INSTRUMENT = "instrument"
    RAW = "raw"
    READING = "reading"
    DAMAGED = "damaged"
    GAP = "gap"
    FILLED = "filled"
    LOST = "lost"
    DISCONNECTED = "disconnected"
    RECONNECTED = "reconnected"
    SELF_CHECK = "self-check"
    LAPSED = "lapsed"
    SELECTION = "selection"
    RESULT = "result"
    ALTERATION = "alteration"
    RESTORATION = "restoration"
    POSITION = "position"
    CAUTION = "caution"
    CONFIRMATION = "confirmation"
    SKIP = "skip"
    NOTE = "note"
    CHECKPOINT = "checkpoint"
    """`note`: the signed head of the tree over all entries before this one."""
    SEAL = "seal"
    """The checkpoint that ends the logbook."""
    CLOSED = "closed"
    """Nothing but checkpoints and the seal may follow."""
    STORAGE_FAULT = "storage-fault"
    """Entries that had to be written again after the disk failed: `first`, `last`, `why`."""
    STOPPED = "stopped"


KNOWN_KINDS: Final[dict[str, Kind]] = {kind.value: kind for kind in Kind}
"""Kinds by their text, for reading without an exception where a kind is new to this version."""

BULK_KINDS: Final = (Kind.RAW, Kind.READING, Kind.DAMAGED)
"""What a logbook holds most of; everything else can be found through an index (see `schema`)."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as it stands in the file.

    Attributes:
        number: 1, 2, 3 … without gaps.
        at: UTC, RFC 3339, microseconds, as stored.
        kind: a `Kind`, or plain text where this version does not know it.
        body: one JSON object, the very text that was hashed.
        leaf: 32 bytes as stored (not recomputed).
    """

    number: int
    at: str
    kind: str
    body: str
    leaf: bytes

    @property
    def data(self) -> dict[str, Any]:
        """The body, parsed anew at each call.

        Raises:
            LogbookDamaged: if it is no JSON object.
        """
        try:
            data = json.loads(self.body)
        except (ValueError, RecursionError) as error:
            raise _no_object(self.number) from error
        if not isinstance(data, dict):
            raise _no_object(self.number)
        return data


def _no_object(number: int) -> LogbookDamaged:
    return LogbookDamaged(
        f"Entry {number} does not hold a JSON object", "run `zerofirst audit` on the logbook", entry=number
    )


_HEAD: Final = Struct(">BQI").pack
_LENGTH: Final = Struct(">I").pack


def leaf_hash(number: int, at: str, kind: str, body: str) -> bytes:
    """The leaf of an entry, 32 bytes.

    Raises:
        UnicodeEncodeError: if a text holds a lone surrogate (stored text never does).
        struct.error: if the number does not fit 64 bits.
    """
    return leaf_of_bytes(number, at.encode(), kind.encode(), body.encode())


def leaf_of_bytes(number: int, at: bytes, kind: bytes, body: bytes) -> bytes:
    """As `leaf_hash`, over texts that are UTF-8 already."""
    data = _HEAD(0, number, len(at)) + at + _LENGTH(len(kind)) + kind + _LENGTH(len(body)) + body
    return sha256(data).digest()


_ENCODE: Final = json.JSONEncoder(
    ensure_ascii=False, separators=(",", ":"), allow_nan=False, check_circular=False
).encode
_LONE_SURROGATE: Final = re.compile("[\ud800-\udfff]")


def body_text(body: Mapping[str, object]) -> str:
    r"""The body as it is stored: one JSON object, no spaces, Unicode as it is.

    Lone surrogates, which no UTF-8 can hold, stand as JSON's own `\udXXX` escapes, so that nothing a stranger sent is
    lost.

    Raises:
        TypeError, ValueError: if the body holds what JSON has no word for (a float NaN, an object); our own mistake.
    """
    text = _ENCODE(body if isinstance(body, dict) else dict(body))
    if not text.isascii():
        text = _LONE_SURROGATE.sub(lambda match: f"\\u{ord(match.group()):04x}", text)
    return text
