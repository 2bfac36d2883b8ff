"""A raw entry's bytes as the chunks in which they came, and whether they fit: each other, their line, its meter."""

from __future__ import annotations

import binascii
from collections.abc import Iterator

from logger.audit.rederive_bodies import Body
from logger.audit.rederive_lines import LineReplay
from logger.audit.rederive_report import Differs, Report, titled
from logger.logbook.entries import Entry
from logger.text import harmless


def chunks_of(entry: Entry, data: Body, replay: LineReplay, report: Report) -> list[tuple[int, bytes]]:
    """The chunks of a raw entry; tells of what does not fit."""

    def _differs(what: Differs, said: str) -> None:
        report.differs(entry.number, what, f"{titled(entry)}: {said}.")

    text = data["data"]
    try:
        held = binascii.a2b_base64(text)
    except (binascii.Error, ValueError):
        held = b""
    if binascii.b2a_base64(held, newline=False).decode() != text:
        _differs(Differs.BYTES, "its bytes are not written as a recorder writes them")
    if data["offset"] != replay.offset:
        said = f"it begins at byte {data['offset']} of its line, but {replay.offset} bytes stand before it"
        _differs(Differs.BYTES, said)
        replay.offset = int(data["offset"])
    if data["serial"] != replay.serial:
        said = f"it is put down to meter {harmless(str(data['serial']), 60)}, not {replay.serial}"
        _differs(Differs.FIELD, said)
    parts = data.get("chunks")
    if parts is None:
        chunks = [(int(data["mono_ns"]), held)]
    else:
        chunks = list(_cut(held, parts))
        whole = sum(length for _, length in parts) == len(held) and parts[0][0] == data["mono_ns"]
        if not whole or len(parts) == 1:
            _differs(Differs.BYTES, "its bytes do not fit their own lengths")
    last_ns = replay.last_ns
    for now_ns, _ in chunks:
        if now_ns < last_ns:
            _differs(Differs.BYTES, "it holds bytes that came before those that stand before them")
        last_ns = now_ns
    return chunks


def _cut(held: bytes, parts: list[list[int]]) -> Iterator[tuple[int, bytes]]:
    """Chunks with their times, out of the bytes of one entry."""
    at = 0
    for mono_ns, length in parts:
        yield int(mono_ns), held[at : at + length]
        at += length
