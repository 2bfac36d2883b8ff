"""Which parts to read next so that those below the limit are found in the fewest readings.

Halving: the smallest group that is known to hold a fault is read by halves, and what the other half must then be
follows from the two. Whatever is found is left out from there on, and the rest is read once more, until nothing is
open. A part that cannot be left out (bars, conductors without a switch) is in every reading and is hunted likewise.

One fault among n parts takes at most ⌈log2 n⌉ + 2 readings, the first that failed included, where the sound parts
together stay well within the limit; each further fault at most ⌈log2 n⌉ + 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from logger.job.bounds import TOLERANCE, Span, Sum, bounds, clashes, sums_of

READINGS_PER_PART_AT_MOST: Final = 3
"""Where a hunt gives up, readings a part: reading every part by itself takes one, so something is wrong long before."""


@dataclass(frozen=True, slots=True)
class Verdicts:
    """What the readings so far say.

    Attributes:
        spans: bounds on each part's conductance.
        faulty: certainly below the limit by itself.
        sound: certainly not below it by itself.
        undecided: neither, and no further reading can tell with this meter.
        open: still to be told apart.
        next_group: the parts to have in the next reading; None where the hunt is over.
        clash: parts about which the readings contradict each other; empty where they agree.
    """

    spans: Mapping[str, Span]
    faulty: tuple[str, ...]
    sound: tuple[str, ...]
    undecided: tuple[str, ...]
    open: tuple[str, ...]
    next_group: frozenset[str] | None
    clash: tuple[str, ...]


def verdicts(parts: Sequence[str], always: str | None, readings: Sequence[Sum], limit_mohm: float) -> Verdicts:
    """Where a hunt stands, and what to read next.

    Args:
        parts: all parts, in the order in which they are halved.
        always: the part that no switch leaves out; None where there is none.
        readings: what was read.
        limit_mohm: least insulation of a part that stands, megohm.
    """
    hunt = _Hunt(parts, always, readings, 1 / limit_mohm)
    clash = tuple(clashes(parts, hunt.sums, hunt.spans))
    too_many = len(readings) > READINGS_PER_PART_AT_MOST * len(parts)
    group = None if clash or too_many else hunt.next_group()
    unknown = tuple(part for part in parts if part in hunt.unknown)
    return Verdicts(
        spans=hunt.spans,
        faulty=tuple(part for part in parts if part in hunt.faulty),
        sound=tuple(part for part in parts if part not in hunt.faulty and part not in hunt.unknown),
        undecided=unknown if group is None else (),
        open=unknown if group is not None else (),
        next_group=group,
        clash=clash,
    )


class _Hunt:
    def __init__(self, parts: Sequence[str], always: str | None, readings: Sequence[Sum], limit: float) -> None:
        self.parts = parts
        self.always = frozenset({always} if always else ())
        self.read = {reading.parts for reading in readings}
        self.limit = limit * (1 + TOLERANCE)
        self.sums = sums_of(readings)
        self.spans = bounds(parts, self.sums)
        self.faulty = {part for part, span in self.spans.items() if span.low > self.limit}
        self.unknown = {part for part, span in self.spans.items() if span.low <= self.limit < span.high}

    def next_group(self) -> frozenset[str] | None:
        """The next reading; None where none is needed or none would help."""
        if not self.unknown or self.faulty & self.always:
            return None
        suspects = self._smallest_suspect()
        wanted = [suspects] if suspects is not None else [self.unknown]
        if suspects is None and frozenset(self.unknown) | self.always not in self.read:
            return frozenset(self.unknown) | self.always
        while wanted:
            group = wanted.pop(0)
            halves = self._halves(group)
            for half in halves:
                if frozenset(half) | self.always not in self.read:
                    return frozenset(half) | self.always
            wanted += [half for half in halves if len(half) > 1]
        return None

    def _smallest_suspect(self) -> set[str] | None:
        """The smallest group of open parts whose sum is certainly over the limit; the worst of those of one size."""
        best: tuple[int, float] | None = None
        found: set[str] | None = None
        for together, span in self.sums.items():
            group = together & self.unknown
            settled = math.fsum(self.spans[part].high for part in together - group)
            if group and span.low - settled > self.limit:
                rank = (len(group), settled - span.low)
                if best is None or rank < best:
                    best, found = rank, set(group)
        return found

    def _halves(self, group: set[str]) -> list[set[str]]:
        """A group in two; what is in every reading anyway goes with the first half."""
        order = [part for part in self.parts if part in group and part in self.always]
        order += [part for part in self.parts if part in group and part not in self.always]
        middle = (len(order) + 1) // 2
        return [set(order[:middle]), set(order[middle:])] if len(order) > 1 else [set(order)]
