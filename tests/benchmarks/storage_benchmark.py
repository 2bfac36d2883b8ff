"""The logbook's storage against what somebody would write instead: ratios in one run, on the disk under test.

    python tests/benchmarks/storage_benchmark.py [--rows 4000] [--rounds 9] [--per-commit 1 20 200] [--audit 200000]
    [--folder DIR]

Capture: ours (JSON, leaf, tree, tiles, guards, commit) and ours without its tree, against a bare INSERT loop, an
executemany and a CSV file synced per group, with the same rows and the same commit boundaries. Rounds alternate in
rotated order; the first is dropped; the interval is a bootstrap over rounds. File size after folding in. Audit against
SELECT + SHA-256 of the same bytes, alternating. Proofs: time to make, time to check, bytes. Only ratios travel: the
machine is printed first.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import os
import platform
import random
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from unittest.mock import patch

from logger.audit.integrity import check_integrity
from logger.clock import SystemClock
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.proofs import check, prove
from logger.logbook.reader import LogbookReader
from logger.logbook.tiles import TiledTree
from logger.logbook.writer import Logbook

CLOCK = SystemClock()
KEY = OperatorKey.from_seed("zerofirst-operator/bench", b"bench" * 6 + b"ab")
AT = "2027-03-01T09:00:00.000000Z"
BOOTSTRAPS = 2000

Row = tuple[Kind, dict[str, object]]


RAW = {
    "line": "serial:/dev/ttyUSB0",
    "serial": "0417",
    "data": "cmQgbj0xIGZuPWluc3VsYXRpb24gdj0xMi4zNCB1PU1PaG0gdnQ9NTAwICpBQkNECg==",
}
READING = {
    "serial": "0417",
    "function": "insulation",
    "relation": "=",
    "unit": "MOhm",
    "voltage": "500",
    "accepted": True,
    "reasons": [],
    "item": "C3",
    "test": "insulation",
    "between": "L+N/PE",
    "origin": "meter",
    "boot": "b1",
    "range": "2",
    "output_voltage": "512",
}


def rows_of(count: int) -> list[Row]:
    """Half raw bytes, half readings, as a capture writes them."""
    rows: list[Row] = []
    for n in range(count // 2):
        rows.append((Kind.RAW, {**RAW, "offset": n * 96, "mono_ns": n * 10**8}))
        value = f"{n % 200}.{n % 100:02}"
        rows.append((Kind.READING, {**READING, "n": n, "value": value, "raw": [n, n], "bytes": [n * 96, n * 96 + 96]}))
    return rows


def text_of(body: dict[str, object]) -> str:
    """What anybody would write to keep a reading's fields in one column."""
    return json.dumps(body, separators=(",", ":"))


def groups(count: int, per_commit: int) -> list[range]:
    return [range(start, min(start + per_commit, count)) for start in range(0, count, per_commit)]


def bare_connection(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("CREATE TABLE entries (number INTEGER PRIMARY KEY, at TEXT, kind TEXT, body TEXT) STRICT")
    return connection


def bare(path: Path, rows: list[Row], per_commit: int) -> float:
    connection = bare_connection(path)
    start = time.perf_counter()
    for group in groups(len(rows), per_commit):
        connection.execute("BEGIN IMMEDIATE")
        for position in group:
            row = (position + 1, AT, rows[position][0], text_of(rows[position][1]))
            connection.execute("INSERT INTO entries VALUES (?, ?, ?, ?)", row)
        connection.execute("COMMIT")
    took = time.perf_counter() - start
    connection.close()
    return took


def bare_many(path: Path, rows: list[Row], per_commit: int) -> float:
    connection = bare_connection(path)
    start = time.perf_counter()
    for group in groups(len(rows), per_commit):
        connection.execute("BEGIN IMMEDIATE")
        many = [(position + 1, AT, rows[position][0], text_of(rows[position][1])) for position in group]
        connection.executemany("INSERT INTO entries VALUES (?, ?, ?, ?)", many)
        connection.execute("COMMIT")
    took = time.perf_counter() - start
    connection.close()
    return took


def csv_synced(path: Path, rows: list[Row], per_commit: int) -> float:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        start = time.perf_counter()
        for group in groups(len(rows), per_commit):
            for position in group:
                writer.writerow((position + 1, AT, rows[position][0], text_of(rows[position][1])))
            file.flush()
            os.fsync(file.fileno())
        return time.perf_counter() - start


def ours(path: Path, rows: list[Row], per_commit: int) -> float:
    """Bodies as the recorder hands them over; turning them into text is timed, here and everywhere."""
    logbook = Logbook.create(path, [(Kind.JOB, {})], CLOCK, KEY)
    start = time.perf_counter()
    for group in groups(len(rows), per_commit):
        for position in group:
            logbook.append(*rows[position], AT)
        if logbook.checkpoint_due(0):
            logbook.checkpoint()
        logbook.commit()
    took = time.perf_counter() - start
    logbook.close()
    return took


def ours_without_tree(path: Path, rows: list[Row], per_commit: int) -> float:
    """The same, with no tree kept and no checkpoint made."""

    def count(tree: TiledTree, leaf: bytes) -> tuple[()]:
        tree.size += 1
        return ()

    logbook = Logbook.create(path, [(Kind.JOB, {})], CLOCK, None)
    with patch.object(TiledTree, "push", count):
        start = time.perf_counter()
        for group in groups(len(rows), per_commit):
            for position in group:
                logbook.append(*rows[position], AT)
            logbook.commit()
        took = time.perf_counter() - start
    logbook.close()
    return took


CONTENDERS: Mapping[str, Callable[[Path, list[Row], int], float]] = {
    "bare": bare,
    "bare_many": bare_many,
    "csv_synced": csv_synced,
    "ours_without_tree": ours_without_tree,
    "ours": ours,
}


def interval(ratios: list[float]) -> tuple[float, float]:
    """95 % bootstrap interval of the median."""
    rng = random.Random(1)
    medians = sorted(statistics.median(rng.choices(ratios, k=len(ratios))) for _ in range(BOOTSTRAPS))
    return medians[BOOTSTRAPS // 40], medians[-BOOTSTRAPS // 40]


def compare(times: Mapping[str, list[float]], over: str, under: str, goal: float) -> str:
    ratios = [one / other for one, other in zip(times[over], times[under], strict=True)]
    low, high = interval(ratios)
    verdict = "noisy" if high - low > 0.3 else "met" if high <= goal else "MISSED"
    median = statistics.median(ratios)
    return f"{over} / {under}: median {median:.2f} (95 %: {low:.2f} to {high:.2f}), goal {goal}: {verdict}"


def capture(folder: Path, count: int, rounds: int, per_commit: int) -> None:
    rows = rows_of(count)
    times: dict[str, list[float]] = {name: [] for name in CONTENDERS}
    sizes: dict[str, int] = {}
    names = list(CONTENDERS)
    for turn in range(rounds + 1):
        for name in names[turn % len(names) :] + names[: turn % len(names)]:
            path = folder / f"{name}-{per_commit}-{turn}"
            took = CONTENDERS[name](path, rows, per_commit)
            sizes[name] = path.stat().st_size
            path.unlink()
            if turn:
                times[name].append(took)
    say(f"\n{count} rows, {per_commit} a commit, {rounds} rounds")
    for name in names:
        say(
            f"  {name:18} {count / statistics.median(times[name]):>9.0f} rows/s   {sizes[name] / count:>6.0f} bytes/row"
        )
    say("  " + compare(times, "ours", "bare", 1.5))
    say("  " + compare(times, "ours", "ours_without_tree", 1.25))
    say(f"  size ours / bare: {sizes['ours'] / sizes['bare']:.2f}, goal 1.5")


def make_large(path: Path, count: int) -> None:
    rows = rows_of(1000)
    with Logbook.create(path, [(Kind.JOB, {})], CLOCK, KEY) as logbook:
        for position in range(count):
            logbook.append(*rows[position % 1000], AT)
            if logbook.checkpoint_due(0):
                logbook.checkpoint()
            if position % 500 == 0:
                logbook.commit()
        logbook.append(Kind.CLOSED, {})
        logbook.seal()


def floor(path: Path) -> float:
    connection = sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)
    start = time.perf_counter()
    for _, _, _, body, _ in connection.execute("SELECT number, at, kind, body, leaf FROM entries ORDER BY number"):
        hashlib.sha256(body.encode()).digest()
    took = time.perf_counter() - start
    connection.close()
    return took


def audit_once(path: Path) -> float:
    start = time.perf_counter()
    with LogbookReader.open(path) as reader:
        report = check_integrity(reader)
    if report.faults or not report.sealed:
        raise SystemExit(f"the benchmark's own logbook does not stand: {report.faults[:3]}")
    return time.perf_counter() - start


PEAK = """
import resource, sys
from logger.audit.integrity import check_integrity
from logger.logbook.reader import LogbookReader
with LogbookReader.open(sys.argv[1]) as reader:
    check_integrity(reader)
sys.stdout.write(str(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024))
"""


def peak_mib(path: Path) -> int:
    """Greatest memory of a process that does nothing but this audit, MiB."""
    run = subprocess.run([sys.executable, "-c", PEAK, str(path)], check=True, capture_output=True, text=True)
    return int(run.stdout)


def audit(folder: Path, count: int, rounds: int) -> Path:
    path = folder / "large.logbook"
    make_large(path, count)
    times: dict[str, list[float]] = {"audit": [], "floor": []}
    for turn in range(rounds + 1):
        pair = [("audit", audit_once), ("floor", floor)]
        for name, run in pair if turn % 2 else pair[::-1]:
            took = run(path)
            if turn:
                times[name].append(took)
    say(f"\naudit of {count} entries, {path.stat().st_size / 2**20:.0f} MiB")
    say(f"  peak memory {peak_mib(path)} MiB (goal 100)")
    say(f"  audit {statistics.median(times['audit']):.2f} s, floor {statistics.median(times['floor']):.2f} s")
    say("  " + compare(times, "audit", "floor", 2.0))
    return path


def proofs(path: Path, count: int) -> None:
    made, checked, sizes = [], [], []
    with LogbookReader.open(path) as reader:
        for number in random.Random(1).sample(range(1, count), 60):
            start = time.perf_counter()
            bundle = prove(reader, number)
            middle = time.perf_counter()
            check(bundle)
            checked.append(time.perf_counter() - middle)
            made.append(middle - start)
            sizes.append(sum(map(len, bundle.proof)))
    say(f"\nproofs at {count} entries")
    say(f"  made {statistics.median(made) * 1e3:.2f} ms (goal 5)")
    say(f"  checked {statistics.median(checked) * 1e3:.2f} ms (goal 1)")
    say(f"  {max(sizes)} bytes of hashes (goal 700)")


def machine(folder: Path) -> None:
    probe, times = folder / "probe", []
    with probe.open("wb") as file:
        for _ in range(200):
            start = time.perf_counter()
            file.write(bytes(4096))
            file.flush()
            os.fsync(file.fileno())
            times.append(time.perf_counter() - start)
    probe.unlink()
    times.sort()
    say(f"{platform.platform()}, {os.cpu_count()} cores")
    say(f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}")
    say(f"sync of 4 KiB: p50 {times[100] * 1e3:.2f} ms, p99 {times[198] * 1e3:.2f} ms")
    if times[100] < 0.0002:
        say("This disk answers faster than a field laptop's does: read the ratios, not the rates.")


def say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=4000)
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--per-commit", type=int, nargs="+", default=[1, 20, 200])
    parser.add_argument("--audit", type=int, default=200_000)
    parser.add_argument("--folder", type=Path)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=arguments.folder) as place:
        folder = Path(place)
        machine(folder)
        for per_commit in arguments.per_commit:
            capture(folder, arguments.rows, arguments.rounds, per_commit)
        if arguments.audit:
            proofs(audit(folder, arguments.audit, min(arguments.rounds, 5)), arguments.audit)


if __name__ == "__main__":
    main()
