"""What an auditor is told: a finding with its weight, and how one is looked for while a logbook is read once.

A `Look` sees the entries of the kinds it wants, in order, with the job's state as it stands after each, and holds a
bounded memory. What can only be seen over several logbooks at once is gathered as an extract and compared at the end.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, ClassVar, Final, Protocol, runtime_checkable

from logger.logbook.entries import Entry
from logger.state import JobState

ENTRIES_AT_MOST: Final = 50
"""How many entries a finding names: the first ones say where to look."""


class Weight(StrEnum):
    """How much a finding weighs."""

    NOTE = "note"
    """Worth knowing; nothing is wrong."""
    DOUBT = "doubt"
    """Somebody has to explain it."""
    BREACH = "breach"
    """The record does not hold what it promises."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding.

    Attributes:
        code: its kind; the name of its file.
        entries: the entries that it is about, at most `ENTRIES_AT_MOST`; none, where it is about the whole.
        sentence: what was found, for a foreman.
        remedy: what to do about it.
    """

    code: str
    weight: Weight
    entries: tuple[int, ...]
    sentence: str
    remedy: str

    def body(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "code": self.code,
            "weight": self.weight.value,
            "entries": list(self.entries),
            "sentence": self.sentence,
            "remedy": self.remedy,
        }


def finding(code: str, weight: Weight, entries: Iterable[int], sentence: str, remedy: str) -> Finding:
    """A finding with no more entries than it may name."""
    return Finding(code, weight, tuple(sorted(set(entries)))[:ENTRIES_AT_MOST], sentence, remedy)


class Look(Protocol):
    """Looks for one kind of finding in one logbook."""

    WANTS: ClassVar[Collection[str]]
    """The kinds of entries that it wants to see."""

    def take(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        """See one entry; `job` has taken it in already. May raise on a body that no recorder writes."""

    def finish(self, job: JobState) -> Iterator[Finding]:
        """What was found, once all was seen."""


@dataclass(frozen=True, slots=True)
class Extract:
    """What a look keeps of one logbook to be compared with others. Plain values: it travels between processes."""

    code: str
    kept: Any


@runtime_checkable
class AcrossLook(Look, Protocol):
    """Looks at several logbooks together."""

    def extract(self) -> Extract:
        """What is kept of this logbook."""


Across = Iterator[tuple[int, Finding]]
"""Findings over several logbooks, each with the place of the logbook that it is told of."""


class Compare(Protocol):
    """Compares the extracts of one code over logbooks, in the order in which these were given."""

    def __call__(self, kept: Sequence[Any]) -> Across:
        """What was found."""
