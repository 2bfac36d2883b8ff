"""What is near: logbooks and plans in the folder; and meters, in words. No Textual; reading a folder blocks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Final

from logger.text import harmless

if TYPE_CHECKING:
    from drivers.links.serial_list import SerialPort
    from tui.instrument_book import Known

FILES_AT_MOST: Final = 200
"""Most files of a kind that are listed; a folder with more is better named by path."""

LOOKED_AT_MOST: Final = 5_000
"""Most names of a folder that are looked at."""

LOGBOOK_ENDINGS: Final = frozenset({".zerofirst", ".db", ".sqlite", ".logbook"})
"""Endings that people give a logbook."""

SQLITE_HEAD: Final = b"SQLite format 3\x00"


STRENGTH: Final = ((-65, "strong"), (-80, "fair"))
"""From which signal on, dBm, it is called so; below it is weak, and a turned back loses it."""


def logbooks(folder: Path) -> list[Path]:
    """Files that look like a logbook, the newest first."""
    found = [path for path in _files(folder) if path.suffix in LOGBOOK_ENDINGS and _starts_as_one(path)]
    return sorted(found, key=_age)[:FILES_AT_MOST]


def plans(folder: Path) -> list[Path]:
    """TOML files, the newest first; whether they are plans is seen when one is opened."""
    return sorted((path for path in _files(folder) if path.suffix == ".toml"), key=_age)[:FILES_AT_MOST]


def port_words(port: SerialPort) -> str:
    """What a serial port says of itself."""
    ids = ""
    if port.vendor_id is not None and port.product_id is not None:
        ids = f"{port.vendor_id:04x}:{port.product_id:04x}"
    said = [port.maker, port.product or port.says, f"serial {port.serial}" if port.serial else "", ids]
    return ", ".join(part for part in said if part) or "says nothing of itself"


def signal_words(rssi_dbm: int | None) -> str:
    """`signal -55 dBm, strong`; a meter that another program is connected to is silent."""
    if rssi_dbm is None:
        return "connected to another program"
    strength = next((words for least, words in STRENGTH if rssi_dbm >= least), "weak")
    return f"signal {rssi_dbm} dBm, {strength}"


def known_words(known: Known, today: date) -> str:
    """What is remembered of the meter that was there last, with its calibration and its last self-check."""
    about = harmless(f"{known.maker} {known.model}".strip())
    checked = (
        f"checked {harmless(known.check_at[:10])} ({harmless(known.check)})" if known.check else "never checked here"
    )
    told = ", ".join(part for part in (about, calibration_words(known.calibrated_until, today), checked) if part)
    return f"last time meter {harmless(known.serial)}: {told}"


def calibration_words(until: str, today: date) -> str:
    """`calibrated until 2027-03-14`, or that it has ended; empty where the meter did not say."""
    if not until:
        return ""
    try:
        has_ended = date.fromisoformat(until) < today
    except ValueError:
        has_ended = False
    return f"{'calibration ended' if has_ended else 'calibrated until'} {harmless(until)}"


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
