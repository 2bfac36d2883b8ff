"""What the integrity check says: faults with their place, checkpoints, keys, and what cannot be proven. Values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum


class Wrong(StrEnum):
    """Kinds of faults in a logbook's integrity."""

    UNREADABLE = "unreadable"
    """Entries lie on a part of the file that cannot be read."""
    MISSING = "missing"
    """Numbers without an entry."""
    LEAF = "leaf"
    """An entry does not agree with its own hash."""
    TYPE = "type"
    """An entry holds values of the wrong type."""
    JSON = "json"
    """A body is no JSON object."""
    CHECKPOINT = "checkpoint"
    """Entries do not agree with a checkpoint over them, or a checkpoint cannot be read."""
    KEY = "key"
    """A checkpoint is not signed by a key that the logbook introduced, or that was asked for."""
    TILE = "tile"
    """A stored tree hash disagrees with the entries under it."""
    TAIL = "tail"
    """The end was cut off."""
    AFTER_END = "after-end"
    """Entries stand after the logbook was closed or sealed."""
    GUARD = "guard"
    """A trigger that refuses changes is missing or was changed."""
    SCHEMA = "schema"
    """A table, index or view is missing, was changed, or is not ours; or the file does not say what it is."""
    STRUCTURE = "structure"
    """The database file is damaged in its own bookkeeping."""


@dataclass(frozen=True, slots=True)
class IntegrityFault:
    """One fault.

    Attributes:
        entry, last: first and last entry that it may concern; None where it concerns the file, or no entry can be
        named.
        what: a `Wrong`.
        sentence: what is wrong, for a person.
    """

    entry: int | None
    last: int | None
    what: Wrong
    sentence: str


@dataclass(frozen=True, slots=True)
class CheckpointSeen:
    """A checkpoint or seal as found. `holds`: head and signature agree with the entries before it."""

    entry: int
    size: int
    at: str
    head: bytes
    fingerprint: str
    holds: bool


@dataclass(frozen=True, slots=True)
class KeySeen:
    """A key that the logbook introduced. `vouched`: it is the first one, or an earlier one signed for it."""

    entry: int
    vkey: str
    fingerprint: str
    vouched: bool


@dataclass(frozen=True, slots=True)
class IntegrityReport:
    """What the check found.

    Attributes:
        id: the logbook's id; empty where entry 1 cannot be read.
        entries: number of the newest entry.
        kinds: how many entries of each kind.
        checkpoints: every checkpoint and the seal, in order.
        keys: every key introduced, in order.
        sealed: the logbook ends with a seal that holds.
        head: tree head over all entries as stored; empty where it cannot be computed.
        faults: in the order in which they were found; empty for a clean logbook.
        remarks: sentences on what this check could not show.
    """

    id: str
    entries: int
    kinds: Mapping[str, int]
    checkpoints: tuple[CheckpointSeen, ...]
    keys: tuple[KeySeen, ...]
    sealed: bool
    head: bytes
    faults: tuple[IntegrityFault, ...]
    remarks: tuple[str, ...]

    @property
    def is_whole(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def span(first: int, last: int) -> str:
    """`entry 5`, or `entries 5 to 9`."""
    return f"entry {first}" if first == last else f"entries {first} to {last}"


FAULTS_AT_MOST = 1000
"""How many faults are told one by one: beyond it a log is beyond mending and the first ones say where to look."""


class Faults:
    """Collects faults: joins neighbours of one kind, and stays bounded."""

    def __init__(self) -> None:
        self._found: list[IntegrityFault] = []
        self._untold = 0

    def add(self, what: Wrong, sentence: str, first: int | None = None, last: int | None = None) -> None:
        """One more. `sentence` may hold `{span}` for its entries; it is then joined with its neighbour."""
        last = first if last is None else last
        if first is not None and last is not None and "{span}" in sentence:
            before = self._found[-1] if self._found else None
            if before and before.what is what and before.last == first - 1 and before.sentence == sentence:
                self._found[-1] = IntegrityFault(before.entry, last, what, sentence)
                return
        if len(self._found) >= FAULTS_AT_MOST:
            self._untold += 1
            return
        self._found.append(IntegrityFault(first, last, what, sentence))

    @property
    def empty(self) -> bool:
        """Whether nothing was found so far."""
        return not self._found

    def told(self) -> tuple[IntegrityFault, ...]:
        """All of them, with their sentences whole."""
        found = [
            replace(each, sentence=each.sentence.replace("{span}", span(each.entry, each.last)))
            if each.entry is not None and each.last is not None
            else each
            for each in self._found
        ]
        if self._untold:
            what = found[-1].what
            found.append(IntegrityFault(None, None, what, f"{self._untold} more faults of this and other kinds."))
        return tuple(found)
