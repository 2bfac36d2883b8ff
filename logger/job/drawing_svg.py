"""The drawing as a picture (SVG text) for the report: the same rows as in the terminal, dashes and signs beside colour.

Deterministic, no script, no reference to anything outside; all text from plans is escaped.
"""

from __future__ import annotations

from typing import Final
from xml.sax.saxutils import escape, quoteattr

from logger.job.drawing import Look, Piece, Row, rows
from logger.job.drawing_text import SIGNS, columns
from logger.job.network import Network
from logger.job.reach_model import Reach
from logger.job.setup import SetUp

# All lengths are in SVG user units, which print as points.
CHARACTER: Final = 6.0
"""Width of a character at the size of the text: monospaced, so that boxes fit without measuring a font."""
LINE: Final = 22.0
"""Height of a row."""
RUN: Final = 34.0
"""Length of a run of cable."""
MARGIN: Final = 10.0
INDENT: Final = 18.0
PADDING: Final = 5.0
"""Between the text of a device and its box."""

STROKES: Final[dict[Look, str]] = {
    Look.PLAIN: 'stroke="#444" stroke-width="1"',
    Look.REACHED: 'stroke="#0b6e4f" stroke-width="3"',
    Look.PARTLY: 'stroke="#0b6e4f" stroke-width="3" stroke-dasharray="12 4"',
    Look.UNREACHED: 'stroke="#777" stroke-width="1" stroke-dasharray="2 4"',
    Look.ALTERED: 'stroke="#a35200" stroke-width="2"',
    Look.SPOILED: 'stroke="#b00020" stroke-width="2"',
}
"""How a run or a box is drawn."""

FILLS: Final[dict[Look, str]] = {Look.ALTERED: "#a35200", Look.SPOILED: "#b00020"}
"""Colour of text that is not black."""


def svg(network: Network, setup: SetUp, found: Reach | None = None) -> str:
    """The installation as an SVG document, as wide as its widest row."""
    all_rows = rows(network, setup, found)
    height = MARGIN
    widest = 0.0
    body: list[str] = []
    for row in all_rows:
        drawn, width, used = _row(row, height)
        body += drawn
        widest = max(widest, width)
        height += used
    size = f'width="{widest + MARGIN:g}" height="{height + MARGIN:g}"'
    view = f'viewBox="0 0 {widest + MARGIN:g} {height + MARGIN:g}"'
    title = f"<title>{escape(network.plan.title)}</title>"
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} {view} font-family="monospace" font-size="10">'
    return "\n".join([head, title, *body, "</svg>", ""])


def _row(row: Row, top: float) -> tuple[list[str], float, float]:
    """A row's elements, where it ends on the right, and how high it is."""
    x = MARGIN + INDENT * row.depth
    middle = top + LINE / 2
    drawn: list[str] = []
    if row.name:
        drawn.append(_text(x, middle, row.name, Look.NAME))
        x += CHARACTER * (columns(row.name) + 1)
    for piece in row.pieces:
        parts, x = _piece(piece, x, middle)
        drawn += parts
    used = LINE
    right = x
    if row.words:
        sign = f"{SIGNS[row.look]} " if row.look in SIGNS else ""
        if row.pieces:
            middle += LINE * 0.7
            used += LINE * 0.7
            x = MARGIN + INDENT * (row.depth + 1)
        drawn.append(_text(x, middle, sign + row.words, row.look if row.look in SIGNS else Look.WORDS))
        right = max(right, x + CHARACTER * columns(sign + row.words))
    return drawn, right, used


def _piece(piece: Piece, x: float, middle: float) -> tuple[list[str], float]:
    """A piece's elements and where the next one begins."""
    if piece.kind == "run":
        return [_line(x, middle, piece.look)], x + RUN
    if piece.kind == "strappers":
        first, second = (Look(value) for value in piece.label.split("/"))
        return [_line(x, middle - 4, first), _line(x, middle + 4, second)], x + RUN
    sign = SIGNS.get(piece.look, "")
    label = piece.label + (f" {sign}" if sign else "")
    wide = CHARACTER * columns(label) + 2 * PADDING
    look = piece.look if piece.look in {Look.ALTERED, Look.SPOILED} else Look.PLAIN
    corner = ' rx="8"' if piece.kind == "load" else ""
    box = (
        f'<rect x="{x:g}" y="{middle - 8:g}" width="{wide:g}" height="16"{corner} fill="none" '
        f"{STROKES[look]}><title>{escape(piece.look.value)}</title></rect>"
    )
    return [box, _text(x + PADDING, middle, label, look)], x + wide


def _line(x: float, y: float, look: Look) -> str:
    title = f"<title>{escape(look.value)}</title>"
    return f'<line x1="{x:g}" y1="{y:g}" x2="{x + RUN:g}" y2="{y:g}" {STROKES[look]}>{title}</line>'


def _text(x: float, middle: float, text: str, look: Look) -> str:
    weight = ' font-weight="bold"' if look is Look.NAME else ""
    fill = quoteattr(FILLS.get(look, "#111"))
    return f'<text x="{x:g}" y="{middle + 3.5:g}" fill={fill}{weight} xml:space="preserve">{escape(text)}</text>'
