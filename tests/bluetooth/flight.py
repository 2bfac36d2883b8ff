"""A line over the air in earnest: link, runner and conversation; a clock that runs faster; and the account of it."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from air_parts import until

from drivers.instrument import Instrument
from drivers.line import run_line
from drivers.links.ble import BleLinks
from logger.clock import Clock, SystemClock
from logger.errors import InstrumentFailed
from logger.happening import Happening, Identified, Lost, RawBytes, Read, Told


class FastClock:
    """The machine's clock, run `speed` times as fast: seconds of the rules pass in a fraction of them.

    What waits on the operating system (deadlines of Bluetooth calls) goes on in the machine's own time.
    """

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self._real = SystemClock()
        self._start_ns = self._real.mono_ns()
        self._start = datetime(2027, 3, 1, 9, 0, tzinfo=UTC)

    def _passed_ns(self) -> int:
        return round((self._real.mono_ns() - self._start_ns) * self.speed)

    def utc(self) -> datetime:
        return self._start + timedelta(microseconds=self._passed_ns() // 1000)

    def mono_ns(self) -> int:
        return self._start_ns + self._passed_ns()

    def utc_offset_min(self) -> int:
        return 0

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self.speed)


def nothing_held(_serial: str, _boot: str) -> None:
    """Resume with an empty logbook."""


class Flight:
    """A line that runs, and what came of it."""

    def __init__(self, links: BleLinks, clock: Clock, rate: int = 200, url: str = "ble:x") -> None:
        self.links = links
        self.happenings: list[Happening] = []
        self.failures: list[InstrumentFailed] = []
        self.stop = asyncio.Event()

        def emit(batch: Sequence[Happening]) -> None:
            self.happenings.extend(batch)

        running = run_line(
            Instrument(url, rate, nothing_held),
            links,
            clock,
            emit,
            self.stop,
            random.Random(1),
            line=url,
            on_failure=self.failures.append,
        )
        self.task = asyncio.ensure_future(running)

    def kinds(self, kind: type[Happening]) -> int:
        return sum(isinstance(happening, kind) for happening in self.happenings)

    def highest(self) -> int:
        """The highest number so far."""
        return max((h.reading.n for h in self.happenings[-500:] if isinstance(h, Read)), default=0)

    async def reads(self, count: int) -> None:
        """Wait for that many more numbers."""
        wanted = self.highest() + count
        await until(lambda: self.highest() >= wanted)

    def is_whole(self) -> bool:
        """Whether every number up to the highest is held or was told as lost."""
        held, lost = self.account()
        return len(held) + len(lost) == max(held)

    async def end(self) -> None:
        self.stop.set()
        await self.task

    def account(self) -> tuple[set[int], set[int]]:
        """The numbers held and those told as lost, of the one boot there was; none may be both, none held twice."""
        assert len({h.identity.boot for h in self.happenings if isinstance(h, Identified)}) == 1
        held: set[int] = set()
        for happening in self.happenings:
            n = None
            if isinstance(happening, Read) and not happening.repeat:
                n = happening.reading.n
            elif isinstance(happening, Told):
                n = happening.event.n
            if n is not None:
                assert n not in held, f"{n} was counted twice"
                held.add(n)
        lost = {n for h in self.happenings if isinstance(h, Lost) for n in range(h.low, h.high + 1)}
        assert not held & lost
        return held, lost

    def raw(self) -> bytes:
        """Every byte that came, in order; their offsets must leave no hole."""
        data = bytearray()
        for happening in self.happenings:
            if isinstance(happening, RawBytes):
                assert happening.offset == len(data)
                data += happening.data
        return bytes(data)
