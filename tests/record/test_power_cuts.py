"""The power goes at any moment: what was confirmed is there, what is there is whole, and work goes on."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from record_kit import FIRST, KEY, raw, reading
from storage_sim import Disk, Model, StandIn, confirmed_by, image, simulated

from logger.audit.integrity import check_integrity
from logger.clock import ManualClock
from logger.errors import LogbookUnusable
from logger.logbook import files
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook

NAME = "booth.logbook"
MODELS: tuple[Model, ...] = ("strict", "ordered")
MEMORY = Path("/dev/shm")
IMAGES_ALWAYS = 500
IMAGES_SLOW = 20_000


def three_sessions(folder: Path, disk: Disk) -> list[bytes]:
    """Creation, work, a clean stop; again; and work that is cut off. Returns the leaf of every entry."""
    clock = ManualClock()
    path = folder / NAME
    with simulated(disk):
        logbook = Logbook.create(path, FIRST, clock, KEY)
        disk.said(logbook.committed)
        for session in range(3):
            for group in range(12):
                for _ in range(1 + group % 4 * 3):
                    logbook.append(Kind.RAW, raw(logbook.size))
                    logbook.append(Kind.READING, reading(logbook.size))
                if group % 5 == 4:
                    logbook.checkpoint()
                logbook.commit()
                disk.said(logbook.committed)
            if session < 2:
                logbook.close()
                logbook = Logbook.open(path, clock, KEY)
        with LogbookReader.open(path) as reader:
            leaves = [entry.leaf for entry in reader.entries()]
        logbook.close()
    return leaves


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Disk, list[bytes]]:
    disk = Disk()
    leaves = three_sessions(tmp_path_factory.mktemp("sim"), disk)
    return disk, leaves


def put(folder: Path, found: dict[str, bytes]) -> Path:
    folder.mkdir()
    for name, content in found.items():
        (folder / name).write_bytes(content)
    return folder / NAME


def check_image(folder: Path, found: dict[str, bytes], confirmed: int, leaves: list[bytes]) -> None:
    path = put(folder, found)
    if NAME not in found:
        assert confirmed == 0, "a logbook that was announced is gone"
        Logbook.create(path, FIRST, ManualClock(), KEY).close()
        return
    with LogbookReader.open(path) as reader:
        stands = [entry.leaf for entry in reader.entries()]
    assert stands == leaves[: len(stands)]
    assert len(stands) >= max(confirmed, len(FIRST))
    with Logbook.open(path, ManualClock(), KEY) as logbook:
        assert logbook.size == len(stands)
        logbook.append(Kind.NOTE, {"text": "going on"})
        logbook.checkpoint()
    with LogbookReader.open(path) as reader:
        assert check_integrity(reader).faults == ()
    assert sorted(each.name for each in folder.iterdir() if not each.name.startswith(".")) == [NAME]


def cut_everywhere(recorded: tuple[Disk, list[bytes]], folder: Path, images: int) -> int:
    """Cut at every moment in turn, in both models; the images lie in memory where the system has such a place."""
    disk, leaves = recorded
    rng = random.Random(2027)
    moments = [(k, model) for k in range(len(disk.log) + 1) for model in MODELS]
    done = 0
    while done < images:
        rng.shuffle(moments)
        for k, model in moments[: images - done]:
            found = image(disk.log, k, rng, model)
            with TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else folder) as place:
                check_image(Path(place) / "disk", found, confirmed_by(disk.log, k), leaves)
            done += 1
    return done


def test_a_cut_loses_nothing_that_was_confirmed(recorded: tuple[Disk, list[bytes]], tmp_path: Path) -> None:
    assert len(recorded[0].log) > 300
    assert cut_everywhere(recorded, tmp_path, IMAGES_ALWAYS) == IMAGES_ALWAYS


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_twenty_thousand_cuts(recorded: tuple[Disk, list[bytes]], tmp_path: Path) -> None:
    assert cut_everywhere(recorded, tmp_path, IMAGES_SLOW) == IMAGES_SLOW


def test_every_moment_of_creation(recorded: tuple[Disk, list[bytes]], tmp_path: Path) -> None:
    disk, leaves = recorded
    announced = next(k for k, op in enumerate(disk.log) if op.verb == "said") + 1
    rng = random.Random(7)
    for k in range(announced + 1):
        for model in MODELS:
            for turn in range(2):
                found = image(disk.log, k, rng, model)
                with TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else tmp_path) as place:
                    check_image(Path(place) / str(turn), found, confirmed_by(disk.log, k), leaves)


def test_the_harness_has_teeth(tmp_path: Path) -> None:
    """Write-ahead logging from the very start, without care at creation, loses confirmed rows in this very model."""
    disk = Disk()
    with simulated(disk):
        path = tmp_path / NAME
        files.create_private(path)
        files.sync_folder(tmp_path)
        connection: Any = StandIn(f"file:{path}?mode=rw")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE entries (number INTEGER PRIMARY KEY)")
        for number in range(1, 30):
            connection.execute("INSERT INTO entries VALUES (?)", (number,))
            disk.said(number)
        connection.close()
    # Cut after a clean close: the log is folded in and gone, and the journal of the very first write may be back.
    end = len(disk.log)
    images = [image(disk.log, end, random.Random(turn), "strict") for turn in range(20)]
    left = [rows_left(put(tmp_path / str(turn), found)) for turn, found in enumerate(images)]
    assert min(left) < confirmed_by(disk.log, end)


def rows_left(path: Path) -> int:
    if not path.exists():
        return 0
    connection = sqlite3.connect(path)
    try:
        return int(connection.execute("SELECT count(*) FROM entries").fetchone()[0])
    except sqlite3.DatabaseError:
        return 0
    finally:
        connection.close()


def test_a_leftover_log_of_another_file_is_not_taken_in(tmp_path: Path) -> None:
    (tmp_path / f"{NAME}-wal").write_bytes(b"frames of another logbook")
    with pytest.raises(LogbookUnusable, match="left by another logbook"):
        Logbook.create(tmp_path / NAME, FIRST, ManualClock(), KEY)
    assert [each.name for each in tmp_path.iterdir()] == [f"{NAME}-wal"]
