"""What the tests of the record share: keys, small logbooks of the pottery studio, and hands that alter a file."""

from __future__ import annotations

import base64
import random
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from logger.clock import ManualClock
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.writer import Logbook

KEY = OperatorKey.from_seed("zerofirst-operator/ana", b"kiln" * 8)
OTHER_KEY = OperatorKey.from_seed("zerofirst-operator/bo", b"clay" * 8)

FIRST: Sequence[tuple[Kind, Mapping[str, object]]] = (
    (Kind.JOB, {"title": "Glaze booth rewire", "kind": "installation"}),
    (Kind.RULES, {"name": "iec", "text": "limits, each with its source"}),
)


def reading(n: int, accepted: bool = True) -> dict[str, object]:
    """A reading's body."""
    return {
        "serial": "SIM-0001",
        "n": n,
        "function": "insulation",
        "relation": "=",
        "value": f"{n % 200}.{n % 10}",
        "unit": "MOhm",
        "voltage": "500",
        "accepted": accepted,
        "reasons": [] if accepted else ["not-proven", "no-selection"],
        "item": "C3" if accepted else None,
        "test": "insulation" if accepted else None,
        "between": "L+N/PE" if accepted else None,
        "origin": "meter",
    }


def raw(n: int) -> dict[str, object]:
    """A raw chunk's body."""
    return {"serial": "SIM-0001", "mono_ns": n * 1_000_000, "data": base64.b64encode(b"rd n=%d" % n).decode()}


def logbook_of(
    path: Path, entries: int, key: OperatorKey | None = KEY, seal: bool = False, clock: ManualClock | None = None
) -> Path:
    """A closed file with about so many entries, checkpoints as they fall due."""
    clock = clock or ManualClock()
    with Logbook.create(path, FIRST, clock, key) as logbook:
        logbook.append(Kind.OPENED, {"operator": "Ana", "host": "bench"})
        while logbook.size < entries:
            number = logbook.size
            clock.advance(0.05)
            logbook.append(Kind.RAW, raw(number))
            logbook.append(Kind.READING, reading(number, accepted=number % 7 != 0))
            if logbook.checkpoint_due(clock.mono_ns()):
                logbook.checkpoint()
            if number % 5 == 0:
                logbook.commit()
        logbook.append(Kind.STOPPED, {"operator": "Ana"})
        if seal:
            logbook.append(Kind.CLOSED, {"seal": True})
            logbook.seal()
        else:
            logbook.checkpoint()
    return path


def random_day(path: Path, seed: int) -> Path:
    """An honest logbook as chance has it: sessions, kinds, sizes, keys, clock jumps, with or without seal."""
    rng = random.Random(seed)
    clock = ManualClock()
    key = rng.choice([KEY, KEY, OTHER_KEY, None])
    Logbook.create(path, FIRST, clock, key).close()
    for session in range(rng.randrange(1, 4)):
        with Logbook.open(path, clock, key) as logbook:
            logbook.append(Kind.OPENED, {"operator": "Ana", "session": session})
            for _ in range(rng.randrange(200)):
                _something(logbook, clock, rng)
            if key and rng.random() < 0.3:
                key = OTHER_KEY if key is KEY else KEY
                logbook.change_key(key)
            if rng.random() < 0.7:
                logbook.append(Kind.STOPPED, {})
            if rng.random() < 0.5:
                logbook.checkpoint()
            logbook.commit()
    if key and rng.random() < 0.5:
        with Logbook.open(path, clock, key) as logbook:
            logbook.append(Kind.CLOSED, {"seal": True})
            logbook.seal()
    return path


def _something(logbook: Logbook, clock: ManualClock, rng: random.Random) -> None:
    clock.advance(rng.choice([0, 0.02, 0.5, 70]))
    if rng.random() < 0.02:
        clock.jump_wall(rng.uniform(-4000, 4000))
    kind = rng.choice([Kind.RAW, Kind.READING, Kind.READING, Kind.DAMAGED, Kind.NOTE, Kind.SELF_CHECK, Kind.RESULT])
    text = rng.choice(
        ["", "Ω ∞ ≥ čaj", "\ud800 lone", "\x00\x1b[2J", "🏺" * rng.randrange(40), "x" * rng.randrange(3000)]
    )
    logbook.append(kind, {**reading(logbook.size, rng.random() < 0.8), "text": text})
    if rng.random() < 0.3:
        logbook.commit()
    if rng.random() < 0.02 or logbook.checkpoint_due(clock.mono_ns()):
        logbook.checkpoint()


@contextmanager
def forging(path: Path, keep_guards: bool = True) -> Iterator[sqlite3.Connection]:
    """A clerk with a database browser: guards taken off and, unless told otherwise, put back as they were."""
    connection = sqlite3.connect(path, isolation_level=None)
    guards = connection.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
    for name, _ in guards:
        connection.execute(f"DROP TRIGGER {name}")
    try:
        yield connection
        if keep_guards:
            for _, statement in guards:
                connection.execute(statement)
    finally:
        connection.close()


def rows_of(path: Path) -> list[tuple[Any, ...]]:
    """All entries as they stand."""
    connection = sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)
    try:
        return connection.execute("SELECT number, at, kind, body, leaf FROM entries ORDER BY number").fetchall()
    finally:
        connection.close()
