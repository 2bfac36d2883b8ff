"""A bit flips somewhere in the file: it is found, or it was in bytes that hold nothing of the record."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from record_kit import logbook_of

from logger.audit.integrity import check_integrity
from logger.errors import LogbookDamaged
from logger.logbook.reader import LogbookReader

FLIPS_ALWAYS = 200
FLIPS_SLOW = 10_000
PLACED_TO = 256


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return logbook_of(tmp_path_factory.mktemp("bits") / "kiln.logbook", 700, seal=True)


def content_of(path: Path) -> Any:
    """Everything that a reader could be told from the file."""
    connection = sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)
    try:
        return [
            connection.execute(query).fetchall()
            for query in (
                "SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE '%migrations%' ORDER BY name",
                "SELECT migration_set, name FROM _sqlite_migrations",
                "SELECT number, at, kind, body, leaf FROM entries ORDER BY number",
                "SELECT number, kind FROM entries INDEXED BY milestones "
                "WHERE kind <> 'raw' AND kind <> 'reading' AND kind <> 'damaged' ORDER BY number",
                "SELECT * FROM tiles",
                "PRAGMA application_id",
                "PRAGMA user_version",
            )
        ]
    except sqlite3.Error:
        return None
    finally:
        connection.close()


def is_found(path: Path) -> bool:
    try:
        with LogbookReader.open(path) as reader:
            return bool(check_integrity(reader).faults)
    except LogbookDamaged:
        return True


def flip_many(original: Path, folder: Path, count: int, seed: int) -> tuple[int, int]:
    """How many flips were found, and how many touched nothing of the record."""
    rng = random.Random(seed)
    content, before = original.read_bytes(), content_of(original)
    path = folder / "flipped.logbook"
    found = harmless = 0
    for _ in range(count):
        position, bit = rng.randrange(len(content)), rng.randrange(8)
        changed = bytearray(content)
        changed[position] ^= 1 << bit
        path.write_bytes(changed)
        if is_found(path):
            found += 1
        else:
            assert content_of(path) == before, f"byte {position}, bit {bit}: changed and not found"
            harmless += 1
    return found, harmless


def test_random_flips(original: Path, tmp_path: Path) -> None:
    found, harmless = flip_many(original, tmp_path, FLIPS_ALWAYS, 1)
    assert found + harmless == FLIPS_ALWAYS
    assert found > FLIPS_ALWAYS * 0.6, "most of a logbook is record"


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_ten_thousand_flips(original: Path, tmp_path: Path) -> None:
    found, harmless = flip_many(original, tmp_path, FLIPS_SLOW, 2)
    assert found + harmless == FLIPS_SLOW


def test_flips_in_entries_are_all_found_and_placed(original: Path, tmp_path: Path) -> None:
    """In the stored bytes of an entry's own values, so that every flip changes the record."""
    connection = sqlite3.connect(original)
    rows = connection.execute("SELECT number, body, leaf FROM entries").fetchall()
    connection.close()
    content = original.read_bytes()
    rng = random.Random(3)
    path = tmp_path / "flipped.logbook"
    tried = 0
    for number, body, leaf in rng.sample(rows, 80):
        wanted = rng.choice([body.encode(), leaf])
        if content.count(wanted) != 1:  # it goes on to an overflow page
            continue
        tried += 1
        changed = bytearray(content)
        changed[content.index(wanted) + rng.randrange(len(wanted))] ^= 1 << rng.randrange(8)
        path.write_bytes(changed)
        with LogbookReader.open(path) as reader:
            faults = check_integrity(reader).faults
        assert [
            fault
            for fault in faults
            if fault.entry is not None and fault.last is not None and fault.entry <= number <= fault.last
        ], f"entry {number}: {faults}"
        assert all(fault.last - fault.entry < PLACED_TO for fault in faults if fault.entry and fault.last)
    assert tried > 60


def test_a_page_of_noise_is_placed(original: Path, tmp_path: Path) -> None:
    content = original.read_bytes()
    page = 4096
    path = tmp_path / "noise.logbook"
    rng = random.Random(4)
    for number in range(10, len(content) // page - 1, 9):
        path.write_bytes(content[: number * page] + rng.randbytes(page) + content[(number + 1) * page :])
        assert is_found(path), f"page {number}"
