"""What re-derivation says: which entries are not what follows from the raw bytes, and how. Values only."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from logger.logbook.entries import Entry
from logger.text import harmless
from logger.version import VERSION

DIFFERENCES_AT_MOST: Final = 100
"""How many differences are told one by one: the first says where to look, the count how far it goes."""

WORDS: Final = frozenset({"sentence", "why", "source"})
"""Fields that hold words for people: they may change from version to version."""

_SHOWN: Final = 120
"""How much of a value is shown, characters."""


class Differs(StrEnum):
    """How an entry is not what it should be."""

    FIELD = "field"
    """It says something else than follows."""
    MISSING = "missing"
    """An entry that follows does not stand there."""
    EXTRA = "extra"
    """It does not follow from anything."""
    BYTES = "bytes"
    """The raw bytes themselves have a gap, or do not fit each other."""
    UNREADABLE = "unreadable"
    """It cannot be taken in at all."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference.

    Attributes:
        entry: where it shows (of a missing entry: before which it should stand).
        other_version: recorded by another version of this software, which may have derived it otherwise.
    """

    entry: int
    what: Differs
    sentence: str
    other_version: bool = False


@dataclass(frozen=True, slots=True)
class Rederivation:
    """What came of deriving a logbook again.

    Attributes:
        differences: the first ones, by entry.
        count: how many there are in all.
        unchecked: sentences on what could not be derived again just as it was, and why.
        undecoded: sentences on bytes that were not decoded at all.
        counts: what was derived: `raw bytes`, `readings`, `damaged`, `self-checks`, `lapses`, `results` …
    """

    differences: tuple[Difference, ...]
    count: int
    unchecked: tuple[str, ...]
    undecoded: tuple[str, ...]
    counts: Mapping[str, int]

    @property
    def first(self) -> Difference | None:
        """The first entry that differs."""
        return self.differences[0] if self.differences else None

    def and_also(self, other: Rederivation) -> Rederivation:
        """This one and that of another part of the same logbook, as one."""
        both = sorted((*self.differences, *other.differences), key=lambda each: each.entry)
        counts = {
            name: self.counts.get(name, 0) + other.counts.get(name, 0) for name in {**self.counts, **other.counts}
        }
        unchecked = tuple(dict.fromkeys((*self.unchecked, *other.unchecked)))
        undecoded = tuple(dict.fromkeys((*self.undecoded, *other.undecoded)))
        return Rederivation(tuple(both[:DIFFERENCES_AT_MOST]), self.count + other.count, unchecked, undecoded, counts)


class Report:
    """Collects differences while a logbook is walked through; bounded."""

    def __init__(self) -> None:
        self._found: list[Difference] = []
        self._count = 0
        self._unchecked: dict[str, None] = {}
        self._undecoded: dict[str, None] = {}
        self._other_version = ""
        self.counts: dict[str, int] = {}

    def session(self, number: int, version: str) -> None:
        """A session begins at entry `number`, recorded by that version."""
        self._other_version = version if version != VERSION else ""
        if self._other_version:
            theirs = harmless(version, 40)
            self.cannot_check(f"The session of entry {number} was recorded by version {theirs}, this is {VERSION}.")

    def compare(self, entry: Entry, derived: Mapping[str, Any], stands: Mapping[str, Any], whence: str) -> None:
        """Tell where an entry is not what was derived `whence`. Of what another version wrote, only fields that both
        know are compared, and no words for people."""
        if derived == stands:
            return
        ignored: frozenset[str] = frozenset()
        if self._other_version:
            ignored = WORDS | (derived.keys() ^ stands.keys())
        said = how(derived, stands, ignored)
        if said:
            self.differs(entry.number, Differs.FIELD, f"{titled(entry)} is not what follows {whence}: {said}.")

    def differs(self, entry: int, what: Differs, sentence: str) -> None:
        """One more. Told in the order of entries, nearly: what shows only at the end of a session comes late."""
        self._count += 1
        self._found.append(Difference(entry, what, sentence, bool(self._other_version)))
        if len(self._found) >= 2 * DIFFERENCES_AT_MOST:
            self._found = self._first()

    def cannot_check(self, sentence: str) -> None:
        """Something could not be derived again; told once."""
        if len(self._unchecked) < DIFFERENCES_AT_MOST:
            self._unchecked.setdefault(sentence)

    def cannot_decode(self, sentence: str) -> None:
        """Bytes could not be decoded; told once."""
        if len(self._undecoded) < DIFFERENCES_AT_MOST:
            self._undecoded.setdefault(sentence)

    def counted(self, what: str, number: int = 1) -> None:
        """So much more of `what` was derived."""
        self.counts[what] = self.counts.get(what, 0) + number

    def result(self) -> Rederivation:
        """What was found so far."""
        first, unchecked, undecoded = tuple(self._first()), tuple(self._unchecked), tuple(self._undecoded)
        return Rederivation(first, self._count, unchecked, undecoded, dict(self.counts))

    def _first(self) -> list[Difference]:
        return sorted(self._found, key=lambda each: each.entry)[:DIFFERENCES_AT_MOST]


def titled(entry: Entry) -> str:
    """An entry, for a person."""
    return f"Entry {entry.number} ({harmless(str(entry.kind), 40)})"


def how(derived: Mapping[str, Any], stands: Mapping[str, Any], ignored: Collection[str] = ()) -> str:
    """In which fields an entry is not what was derived: "`value` is 412, not 0.42". Empty where they agree."""
    lines = []
    for name in (*derived, *(name for name in stands if name not in derived)):
        if name in ignored or (name in stands and name in derived and stands[name] == derived[name]):
            continue
        if name not in derived:
            lines.append(f"`{name}` ({_shown(stands[name])}) does not belong there")
        elif name not in stands:
            lines.append(f"`{name}` is missing, it should be {_shown(derived[name])}")
        else:
            lines.append(f"`{name}` is {_shown(stands[name])}, not {_shown(derived[name])}")
    return "; ".join(lines)


def _shown(value: object) -> str:
    if value is None:
        return "nothing"
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= _SHOWN else text[:_SHOWN] + "…"
