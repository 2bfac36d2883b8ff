"""Somebody who holds file and key, and writes the whole logbook anew as it suits: leaves, tree and seals are right.

What such a forgery says is checked by re-derivation alone.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from working_day import KEY

from logger.clock import ManualClock, from_rfc3339
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook


@dataclass
class Line:
    """One entry in the forger's hands; `number` is its old one."""

    number: int
    at: str
    kind: str
    body: dict[str, Any] = field(compare=False)


Forgery = Callable[[list[Line]], list[Line]]

_ONE: Final = ("reading", "selection", "entry")
_MANY: Final = ("raw", "readings", "self_checks")


class SetClock(ManualClock):
    """A clock that shows what it is told."""

    at = ""

    def utc(self) -> datetime:
        return from_rfc3339(self.at)


def lines_of(path: Path) -> list[Line]:
    with LogbookReader.open(path) as reader:
        return [Line(entry.number, entry.at, str(entry.kind), entry.data) for entry in reader.entries()]


def forge(path: Path, to: Path, forgery: Forgery) -> dict[int, int]:
    """Write `path` anew as `to`, changed by `forgery`; every entry that names another is put right. Yields where each
    old number went."""
    lines = forgery(lines_of(path))
    places = {line.number: place for place, line in enumerate(lines, 1)}
    clock = SetClock()
    clock.at = lines[0].at
    first = [(Kind(line.kind), line.body) for line in lines[:2]]
    logbook = Logbook.create(to, first, clock, KEY)
    try:
        for line in lines[2:]:
            clock.at = line.at
            if line.kind == Kind.CHECKPOINT:
                logbook.checkpoint()
            elif line.kind == Kind.SEAL:
                logbook.seal()
            elif line.kind != Kind.OPERATOR:  # the first checkpoint brings it
                logbook.append(Kind(line.kind), _renumbered(line.body, places), line.at)
    finally:
        logbook.close()
    return places


def _renumbered(body: dict[str, Any], places: dict[int, int]) -> dict[str, Any]:
    changed: dict[str, Any] = json.loads(json.dumps(body))
    for name in _ONE:
        if isinstance(changed.get(name), int):
            changed[name] = places.get(changed[name], changed[name])
    for name in _MANY:
        if isinstance(changed.get(name), list):
            changed[name] = [places.get(each, each) for each in changed[name]]
    return changed


def find(lines: list[Line], kind: str, **fields: Any) -> Line:
    """The first entry of that kind with those fields."""
    return next(
        line
        for line in lines
        if line.kind == kind and all(line.body.get(name) == said for name, said in fields.items())
    )
