"""Circuits and appliances from a CSV: as spreadsheets write it, comma, semicolon or tab between the cells.

A column is named as the key is in TOML, with a dot for a table in a table: `id`, `board`, `cable.length_m`,
`protection.rating_a`, `cord.mm2`. A cell of `path` reads `Q3 breaker > S3 two-way`, with the poles as a third word
where they are not 1; a cell of `required` names tests with spaces between; yes and no are written so. Empty cells are
left out. A decimal comma is read in files with semicolons or tabs only, and no mark is ever read as one of thousands.
"""

from __future__ import annotations

import csv
import io
from typing import Final

from logger.faults import Faults, nearest, quoted
from logger.text import harmless
from logger.toml_table import Table

DELIMITERS: Final = (";", "\t", ",")
"""Tried in this order on the header line: a comma may stand inside a name, a semicolon or a tab hardly ever does."""

FOREIGN_NAMES: Final = 3
FOREIGN_CHARACTERS: Final = 16
"""How many names of a header are quoted where none is known, and how much of each, characters."""

_SHARED: Final = ("id", "name", "required")
COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "circuit": (
        *_SHARED,
        *("board", "phase", "ring", "nominal_v", "path"),
        *("protection.type", "protection.rating_a", "protection.breaking_ka"),
        *("rcd.type", "rcd.rating_ma", "rcd.delayed"),
        *("cable.length_m", "cable.line_mm2", "cable.neutral_mm2", "cable.earth_mm2"),
        *("load.kind", "load.power_w", "load.surge_protected"),
    ),
    "appliance": (
        *_SHARED,
        *("class", "cord.length_m", "cord.mm2", "heating_w", "environment", "electronics"),
    ),
}


def rows(text: str, what: str, faults: Faults) -> list[Table]:
    """Each row of `text` as a table that `plan_items` reads; faults of form are told, what can be read is returned.

    Args:
        what: a key of `COLUMNS`, which says what columns the file may have.
        faults: of this very file.
    """
    lines = text.splitlines(keepends=True)
    skipped = 1 if lines and lines[0].casefold().startswith("sep=") else 0
    del lines[:skipped]
    if not lines or not lines[0].strip():
        faults.add("the file has no header line with the names of its columns", 1 + skipped)
        return []
    delimiter = next((mark for mark in DELIMITERS if mark in lines[0]), ",")
    reader = csv.reader(io.StringIO("".join(lines), newline=""), delimiter=delimiter, strict=True)
    found: list[Table] = []
    try:
        header = [cell.strip() for cell in next(reader)]
        if not set(header) & set(COLUMNS[what]):
            faults.add(_foreign(header, what), 1 + skipped)
            return []
        _check_header(header, COLUMNS[what], faults, 1 + skipped)
        for cells in reader:
            if any(cell.strip() for cell in cells):
                row = _row(header, cells, faults, reader.line_num + skipped)
                found.append(_table(row, what, faults, reader.line_num + skipped, comma=delimiter != ","))
    except csv.Error as wrong:
        faults.add(f"not a CSV file from here on ({wrong})", reader.line_num + skipped)
    return found


def _foreign(header: list[str], what: str) -> str:
    """A file whose header names nothing that is known: no more of it is told than the start of its first names."""
    named = ", ".join(quoted(harmless(cell, FOREIGN_CHARACTERS)) for cell in header[:FOREIGN_NAMES] if cell)
    known = ", ".join(COLUMNS[what][:4])
    said = f"the header line names no column of a {what} ({named or 'it is empty'})"
    return f"{said}: is it the right file? known: {known} …"


def _check_header(header: list[str], columns: tuple[str, ...], faults: Faults, line: int) -> None:
    for place, column in enumerate(header):
        if column and column not in columns:
            faults.add(f"unknown column {quoted(column)}{nearest(column, columns)}", line)
        if column and column in header[:place]:
            faults.add(f"the column {quoted(column)} stands twice", line)


def _row(header: list[str], cells: list[str], faults: Faults, line: int) -> dict[str, str]:
    extra = [cell for cell in cells[len(header) :] if cell.strip()]
    if extra:
        faults.add(f"more cells than columns: {quoted(extra[0])} has no column", line)
    filled: dict[str, str] = {}
    for column, cell in zip(header, cells, strict=False):
        if cell.strip() and column:
            filled.setdefault(column, cell.strip())
        elif cell.strip():
            faults.add(f"{quoted(cell)} stands in a column without a name", line)
    return filled


def _table(row: dict[str, str], what: str, faults: Faults, line: int, *, comma: bool) -> Table:
    values: dict[str, object] = {}
    for column, cell in row.items():
        outer, _, inner = column.partition(".")
        if column not in COLUMNS[what]:
            continue
        if inner:
            nested = values.setdefault(outer, {})
            if isinstance(nested, dict):
                nested[inner] = cell
        else:
            values[column] = _path(cell) if column == "path" else cell
    label = f"{what} {quoted(row['id'])}" if row.get("id") else what
    return Table(values, label, faults, {"": line}, numbers_as_text=True, decimal_comma=comma)


def _path(cell: str) -> list[dict[str, str]]:
    """`Q3 breaker > S3 two-way 2` as tables; an id with a space in it must be given in TOML."""
    devices = []
    for part in cell.split(">"):
        words = part.split()
        device = dict(zip(("id", "kind", "poles"), words, strict=False))
        if len(words) > 3:
            device["kind"] = " ".join(words[1:])
        devices.append(device)
    return devices
