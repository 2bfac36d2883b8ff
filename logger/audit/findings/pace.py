"""Results that follow each other faster than hands can move leads and a meter can measure."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import ENTRIES_AT_MOST, Finding, Weight, finding
from logger.clock import from_rfc3339
from logger.logbook.entries import Entry, Kind
from logger.quantity import Test
from logger.state import JobState

CODE: Final = "pace"

FLOOR_S: Final[dict[Test, float]] = {
    Test.VISUAL: 1.0,
    Test.CONNECTIONS: 1.0,
    Test.POLARITY: 1.0,
    Test.FUNCTION: 2.0,
    Test.VOLTAGE: 2.0,
    Test.PHASE_ROTATION: 2.0,
    Test.EARTH_CONTINUITY: 2.0,
    Test.RING_CONTINUITY: 3.0,
    Test.INSULATION: 3.0,
    Test.EARTH_LOOP: 4.0,
    Test.LINE_LOOP: 4.0,
    Test.RCD_TIME: 3.0,
    Test.RCD_CURRENT: 4.0,
    Test.EARTH_ELECTRODE: 10.0,
    Test.PROTECTIVE_CURRENT: 4.0,
    Test.TOUCH_CURRENT: 4.0,
    Test.SUBSTITUTE_CURRENT: 4.0,
}
"""Least time from one item's result to another item's, by the test of the second, seconds: both leads off and on again,
and the shortest measurement that means anything. This project's own figures, on the low side."""

DOUBTFUL_IN_A_ROW: Final = 25
"""So many in a row under the floor are no slip: nobody keeps that up, and a simulated meter is moved that fast."""


class Pace:
    """Measures the time from each result to the next on another item."""

    WANTS: ClassVar[Collection[str]] = (Kind.RESULT, Kind.OPENED)

    def __init__(self) -> None:
        self._last: tuple[str, str] | None = None
        self._fast: list[int] = []
        self._count = 0
        self._moves = 0
        self._row = 0
        self._longest = 0
        self._least_s = float("inf")

    def take(self, entry: Entry, data: Mapping[str, Any], _job: JobState) -> None:
        """See one result, or the beginning of a session."""
        if entry.kind == Kind.OPENED:
            self._last, self._row = None, 0
            return
        last, self._last = self._last, (str(data["item"]), entry.at)
        if last is None or last[0] == data["item"]:
            return
        self._moves += 1
        took_s = (from_rfc3339(entry.at) - from_rfc3339(last[1])).total_seconds()
        if not 0 <= took_s < FLOOR_S[Test(data["test"])]:
            self._row = 0
            return
        self._row += 1
        self._longest = max(self._longest, self._row)
        self._count += 1
        self._least_s = min(self._least_s, took_s)
        if len(self._fast) < ENTRIES_AT_MOST:
            self._fast.append(entry.number)

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What was found."""
        if self._count:
            yield finding(
                CODE,
                Weight.DOUBT if self._longest >= DOUBTFUL_IN_A_ROW else Weight.NOTE,
                self._fast,
                f"{self._count} of {self._moves} moves to another item took less time than hands need (the fastest "
                f"{self._least_s:.1f} s, {self._longest} in a row).",
                "Ask how these were taken: several leads laid ready, a simulated meter, or nobody at the item.",
            )
