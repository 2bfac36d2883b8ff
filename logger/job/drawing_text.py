"""The drawing as lines of text for a terminal: spans with a look each, signs and words beside every colour."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from logger.job.drawing import Look, Piece, Row, rows
from logger.job.network import Network
from logger.job.reach_model import Reach
from logger.job.setup import SetUp

RUN_SIGNS: Final[dict[Look, str]] = {
    Look.PLAIN: "──",
    Look.REACHED: "══",
    Look.PARTLY: "═┄",
    Look.UNREACHED: "┄┄",
    Look.ALTERED: "─!",
}
"""A run of cable, by how it looks."""

SIGNS: Final[dict[Look, str]] = {Look.ALTERED: "!", Look.SPOILED: "×", Look.UNREACHED: "○"}
"""Put behind a device or load that looks so."""

NARROWEST: Final = 40
"""Least width that a drawing is made for, columns; anything less is drawn as if it were this."""

INDENT: Final = 2
"""Columns that each board further in is moved to the right."""


@dataclass(frozen=True, slots=True)
class StyledText:
    """Some characters of a line, and how they look."""

    text: str
    look: Look


Line = tuple[StyledText, ...]


def draw(network: Network, setup: SetUp, found: Reach | None = None, width: int = 80) -> tuple[Line, ...]:
    """The installation in lines of at most `width` columns (at least 40), with the signs explained at the end."""
    width = max(width, NARROWEST)
    lines = [line for row in rows(network, setup, found) for line in _row(row, width)]
    if found is not None:
        lines += _wrapped([StyledText(word, look) for word, look in _LEGEND], 0, width)
    return tuple(lines)


def plain(lines: Iterable[Line]) -> list[str]:
    """The lines without their looks."""
    return ["".join(part.text for part in line).rstrip() for line in lines]


_LEGEND: Final = (
    ("══ reached", Look.REACHED),
    ("  ═┄ in part", Look.PARTLY),
    ("  ┄┄ not reached", Look.UNREACHED),
    ("  ○ keeps it off", Look.UNREACHED),
    ("  ! altered", Look.ALTERED),
    ("  × spoils", Look.SPOILED),
)


def _row(row: Row, width: int) -> list[Line]:
    indent = INDENT * row.depth
    start = f"{' ' * indent}{row.name} " if row.name else " " * indent
    parts = [StyledText(start, row.look)]
    if row.look in {Look.SPOILED, Look.ALTERED}:
        parts = [StyledText(f"{SIGNS[row.look]} ", row.look)]
    for place, piece in enumerate(row.pieces):
        parts.append(StyledText(_piece(piece) + (" " if place < len(row.pieces) - 1 else ""), piece.look))
    if row.words:
        gap = "  " if row.pieces else ""
        words = [StyledText(word, Look.WORDS) for word in _split(f"{gap}{row.words}")]
        parts += words
    return _wrapped(parts, indent + INDENT, width)


def _piece(piece: Piece) -> str:
    if piece.kind == "run":
        return RUN_SIGNS[piece.look]
    if piece.kind == "strappers":
        first, second = (RUN_SIGNS[Look(value)][0] for value in piece.label.split("/"))
        return f"1{first}2{second}"
    sign = SIGNS.get(piece.look, "")
    return f"{piece.label}{sign}"


def _split(text: str) -> list[str]:
    """Words, each with the space before it."""
    found: list[str] = []
    for word in text.split(" "):
        found.append(f" {word}" if found else word)
    return found


def columns(text: str) -> int:
    """How many columns a terminal gives `text`: two for a wide character, none for a combining one."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def _fitting(text: str, room: int) -> int:
    """How many characters of `text` fit into `room` columns; one at least, so that there is an end."""
    place = 1
    while place < len(text) and columns(text[: place + 1]) <= room:
        place += 1
    return place


def _wrapped(parts: list[StyledText], indent: int, width: int) -> list[Line]:
    """`parts` in lines of at most `width`; what goes over is moved in."""
    lines: list[list[StyledText]] = [[]]
    used = 0
    for part in parts:
        text = part.text
        if used + columns(text.rstrip()) > width and lines[-1]:
            lines.append([StyledText(" " * indent, Look.PLAIN)])
            used = indent
            text = text.lstrip()
        while used + columns(text.rstrip()) > width:
            fitting = _fitting(text, width - used)
            lines[-1].append(StyledText(text[:fitting], part.look))
            text = text[fitting:]
            lines.append([StyledText(" " * indent, Look.PLAIN)])
            used = indent
        lines[-1].append(StyledText(text, part.look))
        used += columns(text)
    return [tuple(line) for line in lines]
