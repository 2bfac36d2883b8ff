"""The numbers of one boot of one meter, kept from the entries alone: which are missing, which are settled.

A driver asks for missing numbers and gives up in its own time, and when exactly it looked at its watch is not in the
log. So whether a number that comes late is a repeat is judged by what the log itself told before: gap, filled, lost.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right

Span = tuple[int, int]
"""Numbers from the first to the second, both included."""


class Spans:
    """A set of numbers as spans, ascending, never touching."""

    def __init__(self) -> None:
        self._spans: list[Span] = []

    def __bool__(self) -> bool:
        return bool(self._spans)

    def __contains__(self, n: int) -> bool:
        at = bisect_right(self._spans, n, key=lambda span: span[0]) - 1
        return at >= 0 and self._spans[at][1] >= n

    def add(self, low: int, high: int) -> None:
        """Put in `low` to `high`."""
        first, last = self._touching(low - 1, high + 1)
        if first < last:
            low, high = min(low, self._spans[first][0]), max(high, self._spans[last - 1][1])
        self._spans[first:last] = [(low, high)]

    def discard(self, low: int, high: int) -> None:
        """Take out what there is of `low` to `high`."""
        first, last = self._touching(low, high)
        cut = self._spans[first:last]
        left = [(a, low - 1) for a, _ in cut[:1] if a < low] + [(high + 1, b) for _, b in cut[-1:] if b > high]
        self._spans[first:last] = left

    def overlap(self, low: int, high: int) -> Span | None:
        """The first stretch of `low` to `high` that is in it."""
        first, last = self._touching(low, high)
        if first == last:
            return None
        a, b = self._spans[first]
        return max(a, low), min(b, high)

    def covers(self, low: int, high: int) -> bool:
        """All of `low` to `high` is in it."""
        return self.overlap(low, high) == (low, high)

    def _touching(self, low: int, high: int) -> tuple[int, int]:
        """Which spans have a number in common with `low` to `high`, as a slice."""
        return (
            bisect_left(self._spans, low, key=lambda span: span[1]),
            bisect_right(self._spans, high, key=lambda span: span[0]),
        )


class Numbers:
    """The numbers of one boot.

    Attributes:
        missing: told as missing, and neither come nor settled.
        settled: told as filled or lost.
    """

    def __init__(self, highest: int | None) -> None:
        """`highest`: the last number held (0 to count from 1), or None to count from whatever comes first."""
        self._highest = highest
        self.missing = Spans()
        self.settled = Spans()

    def came(self, n: int) -> bool:
        """The frame numbered `n` came: whether it is a repeat."""
        if self._highest is None or n > self._highest:
            self._highest = n
            return False
        if n in self.missing:
            self.missing.discard(n, n)
            return False
        return True

    def is_late(self, n: int) -> bool:
        """A later number came before it."""
        return self._highest is not None and n <= self._highest

    def gap(self, low: int, high: int) -> None:
        """Told as missing."""
        self.missing.add(low, high)
        self._highest = max(self._highest or 0, high)

    def filled(self, low: int, high: int) -> Span | None:
        """Told as filled: the first stretch that in truth is still missing."""
        wrong = self.missing.overlap(low, high)
        self._settle(low, high)
        return wrong

    def lost(self, low: int, high: int) -> bool:
        """Told as lost: whether all of it was missing (or never asked for, being too much)."""
        fresh = self._highest is None or low > self._highest
        right = fresh or self.missing.covers(low, high)
        self._settle(low, high)
        self._highest = max(self._highest or 0, high)
        return right

    def _settle(self, low: int, high: int) -> None:
        self.missing.discard(low, high)
        self.settled.add(low, high)
