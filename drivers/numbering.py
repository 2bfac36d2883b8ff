"""Which of a meter's numbers are held, which are missing: the bookkeeping of one boot.

What lives here: spans of numbers. What does not: frames, time, and the asking (`drivers.backfill`).

From the first number counted on, every number up to the highest is in exactly one of three states: held, missing
(it stands in a `Hole`, and may still come), or lost (given up; it is never held afterwards).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Final

Span = tuple[int, int]
"""Numbers from the first to the second, both included."""

GAP_AT_MOST: Final = 12_000
"""Most missing numbers of one gap that are asked for: a minute at 200 a second. A proof lapses after a minute away, so
what is older is told as lost at once, and the newest are asked for."""

HOLE_AT_MOST: Final = 1_000
"""Most numbers asked for at a time: ten seconds of a serial line, so that the live readings are not kept waiting."""

HOLES_AT_MOST: Final = 2_000
"""Most holes kept waiting: a line that loses more is beyond asking, and the oldest hole is given up."""


@dataclass(slots=True)
class Hole:
    """A stretch of numbers that did not come, asked for in one go.

    Attributes:
        low, high: its ends when it was opened.
        missing: what still has not come, ascending, never touching; empty once the hole is filled.
    """

    low: int
    high: int
    missing: list[Span] = field(init=False)

    def __post_init__(self) -> None:
        self.missing = [(self.low, self.high)]

    def take(self, n: int) -> bool:
        """Note that `n` came; False if it was not missing."""
        at = bisect_right(self.missing, n, key=lambda span: span[0]) - 1
        if at < 0 or self.missing[at][1] < n:
            return False
        low, high = self.missing[at]
        self.missing[at : at + 1] = [span for span in ((low, n - 1), (n + 1, high)) if span[0] <= span[1]]
        return True

    def came(self) -> list[Span]:
        """The stretches that came, ascending."""
        spans, start = [], self.low
        for low, high in [*self.missing, (self.high + 1, self.high + 1)]:
            if start < low:
                spans.append((start, low - 1))
            start = high + 1
        return spans


@dataclass(frozen=True, slots=True)
class Taken:
    """What a number brought about.

    Attributes:
        repeat: it is held already, was given up, or comes before the first number that was counted.
        gap: it left this stretch behind, which is worth asking for.
        filled: stretches that were missing and are held now.
        lost: stretches given up.
    """

    repeat: bool = False
    gap: Span | None = None
    filled: tuple[Span, ...] = ()
    lost: tuple[Span, ...] = ()


_NEXT: Final = Taken()
_REPEAT: Final = Taken(repeat=True)


class Numbering:
    """The numbers of one boot of one meter."""

    def __init__(self, highest: int | None) -> None:
        """`highest`: the last number held (0 to count from 1), or None to count from whatever comes first."""
        self._highest = highest
        self._holes: list[Hole] = []

    def is_old(self, n: int) -> bool:
        """Whether `n` comes before the last number counted: a frame that carries it was not sent as it was made."""
        return self._highest is not None and n < self._highest

    @property
    def hole(self) -> Hole | None:
        """The oldest hole: what to ask for next."""
        return self._holes[0] if self._holes else None

    def take(self, n: int) -> Taken:
        """Note that the frame numbered `n` (1 or more) came."""
        if self._highest is None or n == self._highest + 1:
            self._highest = n
            return _NEXT
        if n > self._highest:
            low, self._highest = self._highest + 1, n
            return self._open(low, n - 1)
        at = bisect_right(self._holes, n, key=lambda hole: hole.low) - 1
        if at < 0 or not self._holes[at].take(n):
            return _REPEAT
        if self._holes[at].missing:
            return _NEXT
        hole = self._holes.pop(at)
        return Taken(filled=((hole.low, hole.high),))

    def give_up(self, holes: int) -> Taken:
        """Give up the oldest `holes` holes: what came of them is filled, the rest is lost."""
        filled, lost = [], []
        for hole in self._holes[:holes]:
            filled += hole.came()
            lost += hole.missing
        del self._holes[:holes]
        return Taken(filled=tuple(filled), lost=tuple(lost))

    def give_up_all(self) -> Taken:
        """Give up every hole."""
        return self.give_up(len(self._holes))

    def _open(self, low: int, high: int) -> Taken:
        first = max(low, high - GAP_AT_MOST + 1)
        lost: tuple[Span, ...] = ((low, first - 1),) if low < first else ()
        self._holes += [Hole(at, min(at + HOLE_AT_MOST - 1, high)) for at in range(first, high + 1, HOLE_AT_MOST)]
        over = self.give_up(max(0, len(self._holes) - HOLES_AT_MOST))
        return Taken(gap=(first, high), filled=over.filled, lost=over.lost + lost)
