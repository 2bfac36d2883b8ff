"""Cuts a byte stream into pieces that may be frames and pieces that cannot be.

What lives here: the bounded buffer, the search for `@` and LF, and the count of bytes. What does not: grammar,
check, meaning (`meter_line`, `meter_words`).

A frame starts with `@`, ends with LF and holds neither in between. So the last `@` before an LF is the only place
where a frame can start, and all bytes before it are junk. Where a piece is cut depends on the bytes alone, never on
the chunks in which they came: the same stream gives the same pieces however it is split.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

FRAME_BYTES_AT_MOST: Final = 240
"""Longest frame, bytes with its LF (Meter Line Protocol, section 1): one frame fits one Bluetooth notification."""

LINE_BYTES_AT_MOST: Final = FRAME_BYTES_AT_MOST + 1
"""How far an LF is looked for, bytes: a frame and the CR that may stand before its LF."""

COMPACT_AFTER_BYTES: Final = 4096
"""How many bytes already read stay at the front of the buffer: moving the rest down at every frame would cost more."""

_START: Final = b"@"
_END: Final = b"\n"


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of the stream.

    Attributes:
        data: its bytes, 1 to `LINE_BYTES_AT_MOST`.
        first: offset of its first byte in the stream.
        whole: it starts with `@`, ends with LF and has neither in between; otherwise it cannot be a frame.
    """

    data: bytes
    first: int
    whole: bool


class FrameBuffer:
    """Holds what has come and is not cut yet.

    Once `next_piece` has returned None, fewer than `LINE_BYTES_AT_MOST` bytes are held.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._at = 0
        self._base = 0  # stream offset of the buffer's first byte

    def add(self, data: bytes) -> None:
        """Append what arrived."""
        self._buffer += data

    def next_piece(self) -> Piece | None:
        """The next stretch, or None if more bytes must come before it can be cut."""
        buffer, at = self._buffer, self._at
        limit = at + LINE_BYTES_AT_MOST
        end = buffer.find(_END, at, limit) + 1
        if end:
            start = buffer.rfind(_START, at, end)
            if start == at:
                return self._cut(end, whole=True)
            return self._cut(start if start > at else end, whole=False)
        if len(buffer) < limit:
            self._compact(0)
            return None
        start = buffer.rfind(_START, at, limit)
        return self._cut(start if start > at else limit, whole=False)

    def rest(self) -> Piece | None:
        """What is left half, taken out of the buffer; None if nothing is. The count of bytes goes on."""
        return self._cut(len(self._buffer), whole=False) if len(self._buffer) > self._at else None

    def _cut(self, end: int, whole: bool) -> Piece:
        piece = Piece(bytes(self._buffer[self._at : end]), self._base + self._at, whole)
        self._at = end
        self._compact(COMPACT_AFTER_BYTES)
        return piece

    def _compact(self, after: int) -> None:
        if self._at > after:
            del self._buffer[: self._at]
            self._base += self._at
            self._at = 0
