"""The Meter Line Protocol's frames: bytes to `Frame` and `Junk`, and back. Serves both ends of the line.

What lives here: grammar, check and percent-encoding. What does not: what a frame means (`meter_words`), who may
send it (`drivers.instrument`, the simulator).

`next_event` has three outcomes and no fourth: a `Frame`, a `Junk`, or `NEED_DATA`. It never raises, and every byte
received stands in exactly one of them (or is still waited on, and comes out of `finish`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final, Literal
from urllib.parse import quote, unquote_to_bytes
from zlib import crc32

from drivers.codecs.framing import FRAME_BYTES_AT_MOST, FrameBuffer, Piece
from logger.errors import CannotSend

_PLAIN: Final = rb"[!-$&-)+-<>?A-~]*"  # `!` to `~` without `%`, `*`, `=`, `@`
_NAME: Final = rb"[a-z][a-z0-9-]*"
_FRAME: Final = re.compile(
    rb"@(%b)((?: %b=%b(?:%%[0-9A-Fa-f]{2}%b)*)*)\*([0-9A-F]{8})\r?\n" % (_NAME, _NAME, _PLAIN, _PLAIN)
)
_CHECKED: Final = re.compile(rb"@([^*]*)\*([0-9A-F]{8})\r?\n")
_NAME_TEXT: Final = re.compile(_NAME.decode())
_NO_NEED_TO_ENCODE: Final = re.compile(_PLAIN.decode())
_SAFE: Final = "".join(map(chr, range(0x21, 0x7F))).translate(str.maketrans("", "", "%*=@"))


class NeedData(Enum):
    """The type of `NEED_DATA`."""

    NEED_DATA = "need data"


NEED_DATA: Final[Literal[NeedData.NEED_DATA]] = NeedData.NEED_DATA
"""No further event until more bytes are received."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame whose form and check are right.

    Attributes:
        type: its TYPE.
        fields: NAME to VALUE, percent-decoded, in the order of the frame: a stranger's text, control characters too.
        raw: its bytes, LF included.
        first, last: where it stands in the stream; `last` is exclusive.
    """

    type: str
    fields: dict[str, str]
    raw: bytes
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Junk:
    """Bytes that are no frame, or a frame whose check or form is wrong.

    Attributes:
        data: the bytes, 1 to 241.
        first, last: where they stand in the stream; `last` is exclusive.
        why: `no frame`, `cut short`, `too long`, `wrong check`, `malformed`, `a name twice` or `not UTF-8`.
    """

    data: bytes
    first: int
    last: int
    why: str


class MeterLineCodec:
    """One direction of one line. Not thread-safe.

    After `receive`, call `next_event` until it returns `NEED_DATA`; then fewer than 241 bytes are held back.
    """

    def __init__(self) -> None:
        self._buffer = FrameBuffer()

    def receive(self, data: bytes) -> None:
        """Take in bytes as they came, in chunks of any size."""
        self._buffer.add(data)

    def next_event(self) -> Frame | Junk | Literal[NeedData.NEED_DATA]:
        """The next frame or junk in the order of the stream, or `NEED_DATA`. Never raises."""
        piece = self._buffer.next_piece()
        if piece is None:
            return NEED_DATA
        return _read(piece) if piece.whole else _junk(piece, _why_no_frame(piece.data))

    def finish(self) -> Junk | None:
        """What is left half, when the line ends or breaks. The codec can be used on; offsets count on."""
        piece = self._buffer.rest()
        return None if piece is None else _junk(piece, _why_no_frame(piece.data))


def encode(frame_type: str, fields: Mapping[str, str]) -> bytes:
    """One frame with its LF. VALUEs are any text; what may not stand bare is percent-encoded.

    Raises:
        CannotSend: if TYPE or a NAME is no name, text is not Unicode (a lone surrogate), or it comes to over 240 bytes.
    """
    for name in (frame_type, *fields):
        if not _NAME_TEXT.fullmatch(name):
            raise CannotSend(f"{name!r} is no name in the Meter Line Protocol")
    try:
        words = [frame_type, *(f"{name}={_encoded(value)}" for name, value in fields.items())]
    except UnicodeEncodeError as error:
        raise CannotSend("The text holds half a character and cannot be sent") from error
    body = " ".join(words).encode("ascii")
    frame = b"@%b*%08X\n" % (body, crc32(body))
    if len(frame) > FRAME_BYTES_AT_MOST:
        raise CannotSend(f"A frame of {len(frame)} bytes is over the {FRAME_BYTES_AT_MOST} allowed", "shorten its text")
    return frame


def _encoded(value: str) -> str:
    return value if _NO_NEED_TO_ENCODE.fullmatch(value) else quote(value, safe=_SAFE)


def _read(piece: Piece) -> Frame | Junk:
    raw = piece.data
    if len(raw) > FRAME_BYTES_AT_MOST and not raw.endswith(b"\r\n"):
        return _junk(piece, "too long")
    match = _FRAME.fullmatch(raw)
    if match is None:
        return _junk(piece, _why_refused(raw))
    if crc32(raw[1 : match.end(2)]) != int(match[3], 16):
        return _junk(piece, "wrong check")
    words = match[2].decode("ascii").split(" ")
    del words[0]  # before the first space stands nothing
    fields: dict[str, str] = dict([word.split("=") for word in words])  # the grammar has one = in each
    if len(fields) != len(words):
        return _junk(piece, "a name twice")
    if b"%" in raw:
        try:
            fields = {name: unquote_to_bytes(value).decode("utf-8") for name, value in fields.items()}
        except UnicodeDecodeError:
            return _junk(piece, "not UTF-8")
    return Frame(match[1].decode("ascii"), fields, raw, piece.first, piece.first + len(raw))


def _why_refused(raw: bytes) -> str:
    """Tell a frame whose sender is wrong (its check holds) from one that the line damaged."""
    match = _CHECKED.fullmatch(raw)
    if match is None:
        return "malformed"
    return "malformed" if crc32(match[1]) == int(match[2], 16) else "wrong check"


def _why_no_frame(data: bytes) -> str:
    if not data.startswith(b"@"):
        return "no frame"
    return "too long" if len(data) > FRAME_BYTES_AT_MOST else "cut short"


def _junk(piece: Piece, why: str) -> Junk:
    return Junk(piece.data, piece.first, piece.first + len(piece.data), why)
