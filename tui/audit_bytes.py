"""Raw bytes as a person can check them: hex on the left, what it reads as on the right, row by row. No Textual."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import Final

from drivers.codecs.meter_line import Frame, MeterLineCodec
from logger.audit.pieces import Piece
from logger.text import harmless
from tui.view import Line, Lines, Tone, Weight, Words

METER_LINE: Final = "meter-line"
"""The driver whose frames are decoded here; bytes of another are shown as text."""

WIDE_COLUMNS: Final = 104
"""From so many columns on sixteen bytes stand in a row; else eight."""

PIECES_AT_MOST: Final = 400
TEXT_AT_MOST: Final = 2000
PLACE_COLUMNS: Final = 7


def byte_lines(pieces: Sequence[Piece], columns: int, driver: str = METER_LINE) -> Lines:
    """The rows of all pieces.

    Args:
        columns: how wide a row may be.
        driver: of the line they came on (its name, without its version).
    """
    a_row = 16 if columns >= WIDE_COLUMNS else 8
    room = max(16, columns - PLACE_COLUMNS - 3 * a_row - 2)
    rows = [row for piece in pieces[:PIECES_AT_MOST] for row in _piece(piece, a_row, room, driver)]
    if len(pieces) > PIECES_AT_MOST:
        rows.append((Words(f"and {len(pieces) - PIECES_AT_MOST} more: `zerofirst show` has them whole", Weight.FAINT),))
    return tuple(rows)


def _piece(piece: Piece, a_row: int, room: int, driver: str) -> list[Line]:
    """Its rows; hex and words side by side, whichever is longer."""
    hexed = [piece.data[at : at + a_row] for at in range(0, len(piece.data), a_row)]
    told = [Words(part) for part in wrap(decoded(piece, driver), room) or [""]]
    if piece.entry is not None:
        words = f"→ entry {piece.entry}: {harmless(piece.words, TEXT_AT_MOST)}"
        told += [Words(part, Weight.STRONG, Tone.CALM) for part in wrap(words, room)]
    rows: list[Line] = []
    for index in range(max(len(hexed), len(told))):
        place = f"{piece.first + index * a_row:>{PLACE_COLUMNS - 1}} " if index < len(hexed) else " " * PLACE_COLUMNS
        bare = hexed[index].hex(" ") if index < len(hexed) else ""
        right = told[index] if index < len(told) else Words("")
        rows.append((Words(place, Weight.FAINT), Words(f"{bare:<{3 * a_row + 1}} "), right))
    return rows


def decoded(piece: Piece, driver: str) -> str:
    """What the bytes read as: a frame with its fields and whether its check is right, or plain text. Harmless."""
    if driver == METER_LINE and piece.whole:
        codec = MeterLineCodec()
        codec.receive(piece.data)
        found = codec.next_event()
        if isinstance(found, Frame) and found.raw == piece.data:
            fields = ", ".join(f"{name} {value or '(empty)'}" for name, value in found.fields.items())
            return harmless(
                f"{found.type}: {fields}; check right" if fields else f"{found.type}; check right", TEXT_AT_MOST
            )
        left = codec.finish() if not isinstance(found, Frame) else None
        why = getattr(left or found, "why", "no frame")
        return harmless(f"{piece.data.decode('utf-8', 'replace')} ({why})", TEXT_AT_MOST)
    part = "" if piece.whole else " (a part: the rest stands in another entry)"
    return harmless(piece.data.decode("utf-8", "replace"), TEXT_AT_MOST) + part
