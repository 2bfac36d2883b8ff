"""Where each meter's count stood when a session began: what a driver is told, so that it asks for what is missing."""

from __future__ import annotations

from typing import Final

from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader

TAIL_ENTRIES: Final = 5_000
"""How many of the last entries are read for it: a meter's memory reaches no further back."""


def highest_numbers(reader: LogbookReader, size: int) -> dict[tuple[str, str], int]:
    """By serial and boot: the highest count among the last entries of the first `size`."""
    found: dict[tuple[str, str], int] = {}
    for entry in reader.entries(max(1, size - TAIL_ENTRIES), size, (Kind.READING,)):
        body = entry.data
        name = (str(body["serial"]), str(body["boot"]))
        found[name] = max(found.get(name, 0), int(body["n"]))
    return found
