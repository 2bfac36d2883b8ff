"""Files that hold what a meter sent: read piece by piece, and written. Replaying one is `replay`'s concern.

JSON lines    one object a chunk: `mono_ns` (nanoseconds, of any clock that runs on) and `data` (base64);
              other fields are left alone, so that a logbook's raw entries serve as they are
plain bytes   anything else: what came, and nothing of when
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from drivers.links.base import Chunk
from logger.clock import NS_PER_S
from logger.errors import InputWrong, LinkEnded
from logger.text import harmless

LINE_AT_MOST_BYTES = 4_194_304
"""Longest line of a capture, bytes: the largest chunk that any link hands over, in base64, many times over."""

PLAIN_PIECE_BYTES = 256
"""How a plain file is cut, bytes: about a frame, so that a paced replay flows."""

BITS_A_BYTE = 10
"""What a byte takes on a serial line: start, eight, stop."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes of a capture. `due_ns`: nanoseconds after the first piece; never less than the piece before."""

    data: bytes
    due_ns: int


def open_capture(path: Path) -> BinaryIO:
    """The file, open for reading.

    Raises:
        InputWrong: if there is none, it may not be read, or it is no plain file.
    """
    shown = harmless(str(path))
    try:
        if path.exists() and not path.is_file():  # opening a pipe would wait for its writer
            raise InputWrong(f"{shown} is no file that could be replayed", "name a capture")
        return path.open("rb")
    except FileNotFoundError as error:
        raise InputWrong(f"There is no file {shown} to replay", "check its name") from error
    except OSError as error:
        raise InputWrong(f"The file {shown} cannot be read ({error.strerror})", "check who may read it") from error


def pieces(file: BinaryIO, baud: int) -> Iterator[Piece]:
    """What `file` holds, in order. Reads as it goes.

    Args:
        file: at its start; of either form.
        baud: pace of plain bytes, bits a second.

    Raises:
        LinkEnded: at a line of a capture that is none; what stood before it was yielded.
    """
    first_line = file.readline(LINE_AT_MOST_BYTES)
    is_lines = _chunk(first_line) is not None
    file.seek(0)
    yield from _pieces_of_lines(file) if is_lines else _pieces_of_bytes(file, baud)


def _pieces_of_bytes(file: BinaryIO, baud: int) -> Iterator[Piece]:
    sent_bytes = 0
    while data := file.read(PLAIN_PIECE_BYTES):
        yield Piece(data, sent_bytes * BITS_A_BYTE * NS_PER_S // baud)
        sent_bytes += len(data)


def _pieces_of_lines(file: BinaryIO) -> Iterator[Piece]:
    number, first_ns, due_ns = 0, None, 0
    while line := file.readline(LINE_AT_MOST_BYTES):
        number += 1
        if not line.strip():
            continue
        chunk = _chunk(line)
        if chunk is None:
            raise LinkEnded(f"The capture ends at line {number}, which holds no `mono_ns` and `data`")
        first_ns = chunk.mono_ns if first_ns is None else first_ns
        due_ns = max(due_ns, chunk.mono_ns - first_ns)
        if chunk.data:
            yield Piece(chunk.data, due_ns)


def _chunk(line: bytes) -> Chunk | None:
    """The chunk that a line holds; None if it is no line of a capture."""
    try:
        body = json.loads(line)
        data = base64.b64decode(body["data"], validate=True)
        mono_ns = body["mono_ns"]
    except (ValueError, KeyError, TypeError, RecursionError, binascii.Error):
        return None
    return Chunk(data, mono_ns) if isinstance(mono_ns, int) and not isinstance(mono_ns, bool) else None


class CaptureWriter:
    """Writes a capture of JSON lines. Each line is in the operating system's hands when `write` returns.

    Args:
        path: a file that does not exist yet.

    Raises:
        InputWrong: if it exists, or cannot be written.
    """

    def __init__(self, path: Path) -> None:
        shown = harmless(str(path))
        try:
            self._file = path.open("xb", buffering=0)
        except FileExistsError as error:
            raise InputWrong(f"The file {shown} exists already", "name a new one; nothing was overwritten") from error
        except OSError as error:
            raise InputWrong(f"The file {shown} cannot be written ({error.strerror})", "name another") from error

    def write(self, chunk: Chunk) -> None:
        """Add `chunk`. Raises OSError if the disk does not take it."""
        body = {"mono_ns": chunk.mono_ns, "data": base64.b64encode(chunk.data).decode()}
        self._file.write(json.dumps(body).encode() + b"\n")

    def close(self) -> None:
        """Done. May be called more than once."""
        self._file.close()
