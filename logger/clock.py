"""The only module that reads a clock. Everything else is given one.

Two times are kept side by side: `utc()` for people and the record, `mono_ns()` for every duration,
since the wall clock may jump. `ManualClock` stands still until it is told to move; tests, the simulator
and replay run on it, so that nothing waits.
"""

from __future__ import annotations

import heapq
import itertools
import time
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import asyncio

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000


class Clock(Protocol):
    """What the rest of the project knows of time."""

    def utc(self) -> datetime:
        """Now, in UTC, aware, to the microsecond. May jump when somebody sets the clock."""

    def mono_ns(self) -> int:
        """Nanoseconds since some fixed moment of this boot. Never goes back."""

    def utc_offset_min(self) -> int:
        """How far local time is ahead of UTC, in minutes: a proof ends with the operator's day, not with UTC's."""

    async def sleep(self, seconds: float) -> None:
        """Return after `seconds` (at least 0) of monotonic time."""


class SystemClock:
    """The machine's own clocks."""

    def utc(self) -> datetime:
        """Now, in UTC."""
        return datetime.now(UTC)

    def mono_ns(self) -> int:
        """Nanoseconds on the monotonic clock."""
        return time.monotonic_ns()

    def utc_offset_min(self) -> int:
        """Local time ahead of UTC, in minutes, as the system has it now."""
        offset = datetime.now(UTC).astimezone().utcoffset()
        return round(offset.total_seconds() / 60) if offset else 0

    async def sleep(self, seconds: float) -> None:
        """Wait on the running event loop."""
        import asyncio  # sans-IO rooms read the clock's units and must not pay for an event loop

        await asyncio.sleep(seconds)


class ManualClock:
    """A clock that moves only when told. Not thread-safe: use it on one thread."""

    def __init__(self, start: datetime | None = None) -> None:
        self._start = start or datetime(2027, 3, 1, 9, 0, tzinfo=UTC)
        self._offset = timedelta()
        self._now_ns = 0
        self._ids = itertools.count()
        self._sleepers: list[tuple[int, int, asyncio.Future[None]]] = []

    def utc(self) -> datetime:
        """The start plus what was advanced, plus any jump of the wall clock."""
        return self._start + self._offset + timedelta(microseconds=self._now_ns // 1000)

    def mono_ns(self) -> int:
        """What was advanced so far, in nanoseconds."""
        return self._now_ns

    def utc_offset_min(self) -> int:
        """Always 0: local time is UTC."""
        return 0

    def jump_wall(self, seconds: float) -> None:
        """Move the wall clock alone, as when somebody sets it."""
        self._offset += timedelta(seconds=seconds)

    def advance(self, seconds: float) -> None:
        """Move both clocks on and wake whoever slept until then, in order of their time."""
        self._now_ns += round(seconds * NS_PER_S)
        while self._sleepers and self._sleepers[0][0] <= self._now_ns:
            _, _, future = heapq.heappop(self._sleepers)
            if not future.done():
                future.set_result(None)

    async def sleep(self, seconds: float) -> None:
        """Wait until `advance` has moved the clock on by `seconds`."""
        import asyncio

        if seconds <= 0:
            await asyncio.sleep(0)
            return
        future = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (self._now_ns + round(seconds * NS_PER_S), next(self._ids), future))
        await future


def local_date(clock: Clock) -> date:
    """The calendar day where the clock stands."""
    return (clock.utc() + timedelta(minutes=clock.utc_offset_min())).date()


def rfc3339(moment: datetime) -> str:
    """UTC as RFC 3339 text with microseconds and `Z`, as the record holds it."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def from_rfc3339(text: str) -> datetime:
    """The moment that `rfc3339` wrote.

    Raises:
        ValueError: if the text is no RFC 3339 time.
    """
    return datetime.fromisoformat(text)
