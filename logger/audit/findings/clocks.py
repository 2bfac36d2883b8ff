"""Clocks that jump: the wall clock against the host's monotonic one, and against the order of the entries."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from itertools import takewhile
from typing import Any, ClassVar, Final

from logger.audit.finding import ENTRIES_AT_MOST, Finding, Weight, finding
from logger.audit.rederive_lapses import wall_ns
from logger.clock import NS_PER_S
from logger.logbook.entries import Entry, Kind
from logger.state import JobState

CODE: Final = "clocks"

BLOCK_RAWS: Final = 20
"""Raw entries of which the least delayed counts, to see a clock set forward: a disk that stalls delays some of them, a
clock that is set all. One set back shows at once, since nothing is stored before it came."""

DRIFT_PER_S: Final = 0.0005
"""How much of a second two clocks of one computer may drift apart in a second: the most that a network corrects."""

JUMP_NS: Final = 2 * NS_PER_S
"""From here on it is a jump: no network sets a clock that is nearly right by so much at once."""

SETTLED_JUMP_NS: Final = 10 * NS_PER_S
SETTLED_NS: Final = 2 * NS_PER_S
UNEVEN_NS: Final = NS_PER_S // 2
"""At the end of a session, where too few raw entries follow to outlast a stall: so far ahead for so long, and evenly.
What a stalled disk takes at once has one time, and the next is no longer ahead."""

DOUBTFUL_NS: Final = 600 * NS_PER_S
"""A clock that is set by ten minutes puts every time around it in doubt."""


class Clocks:
    """Follows how far the wall clock is ahead of the monotonic one, session by session."""

    WANTS: ClassVar[Collection[str]] = (Kind.RAW, Kind.OPENED, Kind.RESULT, Kind.SELF_CHECK)

    def __init__(self) -> None:
        self._ahead_ns: int | None = None
        self._ahead_at_ns = 0
        self._block: list[tuple[int, int, int]] = []
        """How far ahead at each raw entry of the block, its number, and its monotonic time."""
        self._last_ns: int | None = None
        self._jumps: list[tuple[int, int]] = []
        self._count = 0

    def take(self, entry: Entry, data: Mapping[str, Any], _job: JobState) -> None:
        """See one entry."""
        now_ns = wall_ns(entry.at)
        if entry.kind == Kind.OPENED:
            self._end_session()
            self._ahead_ns = None
        back_ns = 0 if self._last_ns is None else self._last_ns - now_ns
        self._last_ns = now_ns
        if entry.kind == Kind.RAW:
            self._raw(now_ns, int(data["mono_ns"]), entry.number)
        elif back_ns > JUMP_NS and ((self._ahead_ns is None and not self._block) or entry.kind == Kind.OPENED):
            self._jump(entry.number, -back_ns)

    def _raw(self, now_ns: int, mono_ns: int, number: int) -> None:
        ahead_ns = now_ns - mono_ns
        known = [(each[0], each[2]) for each in self._block]
        if self._ahead_ns is not None:
            known.append((self._ahead_ns, self._ahead_at_ns))
        if known:
            least_ns, least_at_ns = min(known)
            back_ns = least_ns - ahead_ns
            if back_ns > JUMP_NS + _drift_ns(mono_ns - least_at_ns):
                self._jump(number, -back_ns)
                self._ahead_ns = None
                self._block.clear()
        self._block.append((ahead_ns, number, mono_ns))
        if len(self._block) >= BLOCK_RAWS:
            self._end_block()

    def _end_block(self) -> None:
        if not self._block:
            return
        ahead_ns, number, mono_ns = min(self._block)
        if self._ahead_ns is not None:
            forward_ns = ahead_ns - self._ahead_ns
            if forward_ns > JUMP_NS + _drift_ns(mono_ns - self._ahead_at_ns):
                self._jump(number, forward_ns)
        self._ahead_ns, self._ahead_at_ns = ahead_ns, mono_ns
        self._block.clear()

    def _end_session(self) -> None:
        """What is left of a block may hold a clock set forward that no whole block follows."""
        known = [each[0] for each in self._block] + ([] if self._ahead_ns is None else [self._ahead_ns])
        least_ns = min(known, default=0)
        tail = list(takewhile(lambda each: each[0] - least_ns > SETTLED_JUMP_NS, reversed(self._block)))
        if tail and len(tail) < len(self._block):
            (last_ahead_ns, _, last_ns), (ahead_ns, number, mono_ns) = tail[0], tail[-1]
            if last_ns - mono_ns >= SETTLED_NS and abs(last_ahead_ns - ahead_ns) <= UNEVEN_NS:
                self._jump(number, ahead_ns - least_ns)
        self._end_block()

    def _jump(self, number: int, by_ns: int) -> None:
        self._count += 1
        if len(self._jumps) < ENTRIES_AT_MOST or abs(by_ns) > min(abs(each[1]) for each in self._jumps):
            self._jumps.append((number, by_ns))
            self._jumps = sorted(self._jumps, key=lambda each: -abs(each[1]))[:ENTRIES_AT_MOST]

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What was found."""
        self._end_session()
        if not self._jumps:
            return
        number, by_ns = self._jumps[0]
        direction = "forward" if by_ns > 0 else "back"
        often = "once" if self._count == 1 else f"{self._count} times"
        yield finding(
            CODE,
            Weight.DOUBT if abs(by_ns) >= DOUBTFUL_NS else Weight.NOTE,
            [each for each, _ in self._jumps],
            f"The computer's clock was set {often} while this was recorded, at most by {_span(abs(by_ns))} {direction} "
            f"(about entry {number}).",
            "Go by the order of the entries, not by their times; ask which of the times are right"
            + (" (a computer that slept meanwhile looks the same)." if by_ns > 0 else "."),
        )


def _drift_ns(over_ns: int) -> int:
    return round(abs(over_ns) * DRIFT_PER_S)


def _span(ns: int) -> str:
    seconds = ns / NS_PER_S
    for size, unit in ((86_400, "days"), (3_600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} seconds"
