"""What is near: logbooks and plans in the folder, meters on the machine's ports. Blocks; no Textual."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from drivers.links.serial_list import serial_ports
from logger.text import harmless

FILES_AT_MOST: Final = 200
"""Most files of a kind that are listed; a folder with more is better named by path."""

LOOKED_AT_MOST: Final = 5_000
"""Most names of a folder that are looked at."""

LOGBOOK_ENDINGS: Final = frozenset({".zerofirst", ".db", ".sqlite", ".logbook"})
"""Endings that people give a logbook."""

SQLITE_HEAD: Final = b"SQLite format 3\x00"


@dataclass(frozen=True, slots=True)
class Nearby:
    """A meter's address and what the port says of itself."""

    url: str
    words: str


def logbooks(folder: Path) -> list[Path]:
    """Files that look like a logbook, the newest first."""
    found = [path for path in _files(folder) if path.suffix in LOGBOOK_ENDINGS and _starts_as_one(path)]
    return sorted(found, key=_age)[:FILES_AT_MOST]


def plans(folder: Path) -> list[Path]:
    """TOML files, the newest first; whether they are plans is seen when one is opened."""
    return sorted((path for path in _files(folder) if path.suffix == ".toml"), key=_age)[:FILES_AT_MOST]


def meters() -> tuple[list[Nearby], bool]:
    """Serial ports, and whether the list is whole."""
    ports, whole = serial_ports()
    return [Nearby(f"serial:{port.path}", harmless(port.says or port.product, 40)) for port in ports], whole


def _files(folder: Path) -> Iterator[Path]:
    for count, path in enumerate(folder.iterdir()):
        if count >= LOOKED_AT_MOST:
            return
        if path.is_file():
            yield path


def _starts_as_one(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(SQLITE_HEAD)) == SQLITE_HEAD
    except OSError:
        return False


def _age(path: Path) -> float:
    try:
        return -path.stat().st_mtime
    except OSError:
        return 0.0
