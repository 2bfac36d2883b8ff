"""The recorder is killed, or its disk fills up for real: what was confirmed is there, and work goes on."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from record_kit import FIRST, KEY, reading

from logger.audit.integrity import check_integrity
from logger.clock import ManualClock
from logger.errors import StorageFailed
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook

KILLS_ALWAYS = 5
KILLS_SLOW = 200

RECORDER = """
import sys; sys.path.insert(0, sys.argv[2])
from record_kit import *; from pathlib import Path
path, clock = Path(sys.argv[1]), ManualClock()
if path.exists():
    logbook = Logbook.open(path, clock, KEY)
else:
    logbook = Logbook.create(path, FIRST, clock, KEY)
while True:
    for _ in range(1 + logbook.size % 7):
        logbook.append(Kind.RAW, raw(logbook.size))
        logbook.append(Kind.READING, reading(logbook.size))
    if logbook.checkpoint_due(0):
        logbook.checkpoint()
    logbook.commit()
    sys.stdout.write(f"{logbook.committed}\\n"); sys.stdout.flush()
"""


def record_until_killed(path: Path, confirmations: int) -> int:
    """Run a recorder, kill it after it confirmed so many groups. Returns the last number that it confirmed."""
    command = [sys.executable, "-c", RECORDER, str(path), str(Path(__file__).parent)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as recorder:
        assert recorder.stdout is not None
        confirmed = [int(recorder.stdout.readline()) for _ in range(confirmations)]
        recorder.send_signal(signal.SIGKILL)
        rest = recorder.stdout.read().splitlines(keepends=True)
    confirmed += [int(line) for line in rest if line.endswith("\n")]
    return confirmed[-1]


def kill_often(path: Path, times: int, seed: int) -> None:
    rng = random.Random(seed)
    for turn in range(times):
        confirmed = record_until_killed(path, 1 + rng.randrange(60))
        with LogbookReader.open(path) as reader:
            assert reader.size >= confirmed
            if turn % 10 == 0 or turn == times - 1:
                report = check_integrity(reader)
                assert report.faults == ()
    with Logbook.open(path, ManualClock(), KEY) as logbook:
        logbook.append(Kind.CLOSED, {})
        logbook.seal()
    with LogbookReader.open(path) as reader:
        report = check_integrity(reader)
        assert report.sealed
        assert report.faults == ()
    assert list(path.parent.iterdir()) == [path]


@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9 there")
def test_killed_a_few_times(tmp_path: Path) -> None:
    kill_often(tmp_path / "kiln.logbook", KILLS_ALWAYS, 1)


@pytest.mark.slow
@pytest.mark.timeout(1800)
@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9 there")
def test_killed_two_hundred_times(tmp_path: Path) -> None:
    kill_often(tmp_path / "kiln.logbook", KILLS_SLOW, 2)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="a small disk to fill needs root to mount it"
)
def test_a_disk_that_is_really_full(tmp_path: Path) -> None:
    medium = tmp_path / "medium"
    medium.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", medium], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("this system does not let a test mount a tmpfs")
    try:
        fill_and_go_on(medium)
    finally:
        subprocess.run(["umount", medium], check=True)


def fill_and_go_on(medium: Path) -> None:
    path = medium / "kiln.logbook"
    ballast = medium / "ballast"
    ballast.write_bytes(bytes(300_000))
    logbook = Logbook.create(path, FIRST, ManualClock(), KEY)
    confirmed = 0
    with pytest.raises(StorageFailed, match="the disk is full"):
        for n in range(100_000):
            logbook.append(Kind.READING, reading(n))
            if n % 20 == 0:
                logbook.commit()
                confirmed = logbook.committed
    with LogbookReader.open(path) as reader:
        assert reader.size == confirmed
    with pytest.raises(StorageFailed, match="the disk is full"):
        logbook.recover()
    for n in range(50):
        logbook.append(Kind.READING, reading(n))
    ballast.unlink()
    logbook.recover()
    last = logbook.size
    logbook.close()
    with LogbookReader.open(path) as reader:
        assert reader.size == last
        fault = reader.last(Kind.STORAGE_FAULT)
        assert fault is not None
        assert fault.data["why"] == "the disk is full"
        assert fault.data["first"] == confirmed + 1
        assert check_integrity(reader).faults == ()


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="a small disk to fill needs root to mount it"
)
def test_no_half_logbook_on_a_full_disk(tmp_path: Path) -> None:
    medium = tmp_path / "medium"
    medium.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", medium], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("this system does not let a test mount a tmpfs")
    try:
        with pytest.raises(StorageFailed, match="full"):
            Logbook.create(medium / "kiln.logbook", [(Kind.JOB, {"text": "x" * 200_000})], ManualClock())
        assert list(medium.iterdir()) == []
    finally:
        subprocess.run(["umount", medium], check=True)
