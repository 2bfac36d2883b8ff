"""Faults of a file that people write, each with its place, all kept; and how foreign text stands in a sentence."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from logger.text import harmless

# Characters of foreign text quoted in one fault: enough to recognise it, short enough for one line.
QUOTED_CHARACTERS: Final = 60


@dataclass(frozen=True)
class Fault:
    """One thing wrong, in `file`, at `line` (from 1; 0 where unknown)."""

    file: str
    line: int
    sentence: str

    def __str__(self) -> str:
        place = f"{self.file}, line {self.line}" if self.line else self.file
        return f"{place}: {self.sentence}"


@dataclass
class Faults:
    """Every fault of one plan or pack.

    Attributes:
        file: the file that is being read, as faults name it.
        found: in the order found, shared with the readers of its other files.
    """

    file: str
    found: list[Fault] = field(default_factory=list)

    def add(self, sentence: str, line: int | None = None) -> None:
        """Keep `sentence`, at `line` where it is known."""
        self.found.append(Fault(self.file, line or 0, sentence))

    def sentences(self) -> list[str]:
        """Each fault with its place, down this file first, then down the others; those without a line at the end."""
        return [str(fault) for fault in sorted(self.found, key=self._order)]

    def _order(self, fault: Fault) -> tuple[bool, str, bool, int]:
        return (fault.file != self.file, fault.file, fault.line == 0, fault.line)


def quoted(value: object) -> str:
    """Foreign text fit to stand in a sentence."""
    return f'"{harmless(str(value), QUOTED_CHARACTERS)}"'


def nearest(word: str, known: Iterable[str]) -> str:
    """`; did you mean "…"?` where a known word is near, else the list of known words."""
    names = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(word.casefold(), names, n=1, cutoff=0.5)
    return f'; did you mean "{names[near[0]]}"?' if near else f"; known: {', '.join(names.values())}"
