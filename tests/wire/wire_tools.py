"""What the tests of the wire share: the vectors, and a codec run from bytes to events."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from zlib import crc32

from drivers.codecs.meter_line import Frame, Junk, MeterLineCodec, NeedData

FIXTURES = Path(__file__).parents[2] / "fixtures" / "protocol"


def load(name: str) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads((FIXTURES / name).read_text(encoding="ascii"))
    return rows


VECTORS = load("vectors.json")
WRONG_FRAMES = load("wrong_frames.json")
WRONG_WORDS = load("wrong_words.json")


def line_of(row: dict[str, Any]) -> bytes:
    return str(row["text"]).encode("latin-1") + b"\n"


def framed(body: str) -> bytes:
    """A frame made without the codec under test."""
    return b"@%b*%08X\n" % (body.encode("latin-1"), crc32(body.encode("latin-1")))


def events_of(chunks: Iterable[bytes]) -> tuple[list[Frame | Junk], Junk | None]:
    """All events of a stream, drained after each chunk, and what is left half."""
    codec = MeterLineCodec()
    events: list[Frame | Junk] = []
    for chunk in chunks:
        codec.receive(chunk)
        while not isinstance(event := codec.next_event(), NeedData):
            events.append(event)
    return events, codec.finish()


def only_frame(data: bytes) -> Frame:
    events, left = events_of([data])
    assert left is None
    (event,) = events
    assert isinstance(event, Frame)
    return event
