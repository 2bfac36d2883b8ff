"""Durable capture through the whole pipeline against a bare sqlite3 loop with the same rows and commits, in one run.

    python tests/benchmarks/pipeline_benchmark.py [--readings 4000] [--rounds 9] [--per-commit 1 20 200]

Ours: bytes → codec → instrument → recorder (screening, tagging) → logbook (leaves, tree, commit). Bare: an INSERT
loop of exactly the rows that ours wrote, under the same pragmas and commit boundaries. Rounds alternate; the first
is dropped.
Prints the ratio ours / bare: median, least and most, and the machine's commit time, since only ratios travel.
"""

from __future__ import annotations

import argparse
import os
import platform
import sqlite3
import statistics
import sys
import tempfile
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

from drivers.codecs.meter_line import encode
from drivers.meter_line import DRIVER
from logger.clock import NS_PER_MS, NS_PER_S, SystemClock
from logger.job.model import Board, Circuit, EarthingSystem, JobKind, Plan, Supply
from logger.job.plan import plan_body
from logger.logbook.entries import Kind
from logger.logbook.writer import Logbook
from logger.recorder.core import Recorder
from logger.rules.pack import load_pack
from logger.state import JobState

CLOCK = SystemClock()
LINE = "tcp:127.0.0.1:4000"


def frames(count: int) -> list[bytes]:
    """An introduction, then `count` readings."""
    identity = {
        "proto": "1",
        "maker": "Example Works",
        "model": "TM-2",
        "serial": "0417",
        "fw": "1.4",
        "boot": "b1",
        "cal": "2030-01-31",
        "batt": "87",
        "leads": "A",
    }
    function = {"fn": "insulation", "rg": "2", "u": "MOhm", "min": "0", "max": "1000", "res": "1", "vt": "250,500,1000"}
    start = [
        encode("id", identity) + encode("end", {"of": "id"}),
        encode("fn", function) + encode("end", {"of": "functions"}),
    ]
    readings = [
        encode(
            "rd",
            {
                "n": str(n),
                "t": str(n * 20),
                "fn": "insulation",
                "rg": "2",
                "r": "eq",
                "v": str(400 + n % 50),
                "u": "MOhm",
                "vt": "500",
                "vm": "523",
                "f": "steady",
            },
        )
        for n in range(1, count + 1)
    ]
    return start + readings


def start_logbook(path: Path) -> tuple[Logbook, Recorder]:
    """A fresh logbook and a recorder on it."""
    plan = Plan(
        "Kiln shed rewire",
        JobKind.INSTALLATION,
        "iec",
        supply=Supply(EarthingSystem.TN_C_S, Decimal(230)),
        boards=(Board("DB1"),),
        circuits=(Circuit("C1", "DB1", "Kiln"),),
    )
    pack = load_pack("iec")
    first = [(Kind.JOB, {"plan": plan_body(plan)}), (Kind.RULES, {"pack": pack.body})]
    logbook = Logbook.create(path, first, CLOCK)
    state = JobState()
    for number, (kind, body) in enumerate(first, 1):
        state.apply(number, "2027-03-01T09:00:00.000000Z", kind, body, 0)
    return logbook, Recorder(logbook, state, CLOCK, {})


def ours(path: Path, wire: list[bytes], per_commit: int) -> float:
    """Seconds for the readings, introduction left out."""
    logbook, recorder = start_logbook(path)
    conversation = DRIVER.converse(LINE, 50, lambda _serial, _boot: None)
    recorder.take_in(conversation.connected(CLOCK.mono_ns()))
    for chunk in wire[:2]:
        recorder.take_in(conversation.receive(chunk, CLOCK.mono_ns()))
    recorder.do({"do": "select", "item": "C1", "test": "insulation", "voltage": 500})
    logbook.commit()
    recorder.drain()
    began = CLOCK.mono_ns()
    for at in range(2, len(wire), per_commit):
        batch = []
        for chunk in wire[at : at + per_commit]:
            batch.extend(conversation.receive(chunk, CLOCK.mono_ns()))
        recorder.take_in(batch)
        logbook.commit()
        recorder.drain()
    took = (CLOCK.mono_ns() - began) / NS_PER_S
    logbook.close()
    return took


def rows_of(path: Path) -> list[tuple[object, ...]]:
    """The rows that ours wrote for the readings: everything from the first reading's raw bytes on."""
    with sqlite3.connect(path) as db:
        (first,) = db.execute("select number from entries where kind = 'selection'").fetchone()
        rows = db.execute("select * from entries where number > ? order by number", (first,)).fetchall()
    db.close()
    return rows


def bare(path: Path, rows: list[tuple[object, ...]], commits: int) -> float:
    """Seconds for the same rows in a bare loop with as many commits."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("pragma journal_mode = wal")
    db.execute("pragma synchronous = full")
    db.execute("create table entries (number integer primary key, at text, kind text, body text, leaf blob) strict")
    per_commit = -(-len(rows) // commits)
    began = CLOCK.mono_ns()
    for at in range(0, len(rows), per_commit):
        db.execute("begin immediate")
        for row in rows[at : at + per_commit]:
            db.execute("insert into entries values (?, ?, ?, ?, ?)", row)
        db.execute("commit")
    took = (CLOCK.mono_ns() - began) / NS_PER_S
    db.close()
    return took


def commit_time_ms(folder: Path) -> float:
    """Median time of one fsync of 4 KiB on this disk, milliseconds."""
    times = []
    with (folder / "sync").open("wb") as file:
        for _ in range(50):
            file.write(bytes(4096))
            file.flush()
            began = CLOCK.mono_ns()
            os.fsync(file.fileno())
            times.append((CLOCK.mono_ns() - began) / NS_PER_MS)
    return statistics.median(times)


def ratios(count: int, rounds: int, per_commit: int, say: Callable[[str], None]) -> None:
    """One line of the table."""
    wire, found, per_reading = frames(count), [], []
    for number in range(rounds + 1):
        with tempfile.TemporaryDirectory() as folder:
            mine = ours(Path(folder) / "ours.db", wire, per_commit)
            rows = rows_of(Path(folder) / "ours.db")
            commits = -(-count // per_commit)
            theirs = bare(Path(folder) / "bare.db", rows, commits)
        if number:
            found.append(mine / theirs)
            per_reading.append(mine / count * 1e6)
    say(
        f"{per_commit:4} readings a commit: ours/bare median {statistics.median(found):.2f} "
        f"(least {min(found):.2f}, most {max(found):.2f}), {statistics.median(per_reading):.0f} us a reading, "
        f"{len(rows) / count:.2f} rows a reading"
    )


def main() -> None:
    """Run it."""
    say = sys.stdout.write
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=4000)
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--per-commit", type=int, nargs="+", default=[1, 20, 200])
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        say(
            f"{platform.machine()}, Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}, "
            f"fsync of 4 KiB {commit_time_ms(Path(folder)):.2f} ms\n"
        )
    for per_commit in arguments.per_commit:
        ratios(arguments.readings, arguments.rounds, per_commit, lambda line: say(line + "\n"))


if __name__ == "__main__":
    main()
