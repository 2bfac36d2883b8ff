"""A wire in memory, for tests: two ends, and a scripted fate for every piece of bytes that is sent along it.

Nothing waits on real time: a delay is slept on the clock that the wire was given.
"""

from __future__ import annotations

import asyncio
import random
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from drivers.links.base import Chunk
from logger.clock import NS_PER_S, Clock
from logger.errors import InstrumentFailed, LinkEnded, LinkFailed, LinkLost, LinkReason

UNREAD_AT_MOST_BYTES = 16_777_216
"""Most bytes that lie unread at one end; beyond it the test forgot its reader, and is told so."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """A piece that arrives. `delay_s`: seconds after it was sent; what was sent before it never arrives after it."""

    data: bytes
    delay_s: float = 0.0


Fate = Callable[[bytes], Iterable[Delivery]]
"""What becomes of one send: nothing (lost), one delivery, or several."""


def whole(data: bytes) -> Iterator[Delivery]:
    """It arrives as it was sent."""
    yield Delivery(data)


def in_chunks(size: int) -> Fate:
    """It arrives in chunks of at most `size` bytes."""

    def fate(data: bytes) -> Iterator[Delivery]:
        return (Delivery(data[at : at + size]) for at in range(0, len(data), size))

    return fate


def delayed(delay_s: float, then: Fate = whole) -> Fate:
    """It arrives `delay_s` seconds later than it otherwise would."""

    def fate(data: bytes) -> Iterator[Delivery]:
        return (Delivery(piece.data, piece.delay_s + delay_s) for piece in then(data))

    return fate


def scripted(fates: Iterable[Fate], then: Fate = whole) -> Fate:
    """The first send meets the first of `fates`, the second the second …; after the last, all meet `then`."""
    script = iter(fates)

    def fate(data: bytes) -> Iterable[Delivery]:
        return next(script, then)(data)

    return fate


def lost(_data: bytes) -> Iterable[Delivery]:
    """It never arrives."""
    return ()


def twice(data: bytes) -> Iterator[Delivery]:
    """It arrives, and arrives again."""
    yield Delivery(data)
    yield Delivery(data)


def at_random(source: random.Random, loss: float = 0.0, doubling: float = 0.0, chunk: int = 64) -> Fate:
    """It is lost or doubled with the given chances (0 to 1), and cut into chunks of 1 to `chunk` bytes."""

    def fate(data: bytes) -> Iterator[Delivery]:
        if source.random() < loss:
            return
        for _ in range(2 if source.random() < doubling else 1):
            at = 0
            while at < len(data):
                size = source.randint(1, chunk)
                yield Delivery(data[at : at + size])
                at += size

    return fate


class MemoryLink:
    """One end of a `MemoryLine`. The meter's end is open from the start; the host's end is opened like any link."""

    can_send = True

    def __init__(self, clock: Clock, plug_in: Callable[[MemoryLink], None], fate: Fate) -> None:
        self._clock = clock
        self._plug_in = plug_in
        self._fate = fate
        self._arriving: deque[tuple[int, bytes]] = deque()
        self._unread_bytes = 0
        self._end: InstrumentFailed | None = None
        self._news = asyncio.Event()
        self.peer: MemoryLink | None = None

    async def open(self) -> None:
        """Plug in. Raises LinkFailed if the line was told to refuse."""
        self._plug_in(self)

    async def receive(self) -> Chunk:
        """The next delivery, when its time has come. Raises LinkLost or LinkEnded once all are taken."""
        while True:
            self._news.clear()
            if self._arriving and self._arriving[0][0] <= self._clock.mono_ns():
                data = self._arriving.popleft()[1]
                self._unread_bytes -= len(data)
                return Chunk(data, self._clock.mono_ns())
            if self._end is not None:
                raise self._end
            await self._change()

    async def send(self, data: bytes) -> None:
        """Give `data` to its fate. Raises LinkLost if nothing is plugged in."""
        if self._end is not None or self.peer is None:
            raise LinkLost("The line in memory is not connected")
        for delivery in self._fate(data):
            self.peer._arrive(delivery)

    async def close(self) -> None:
        """Unplug: both ends know at once."""
        peer, self.peer = self.peer, None
        self.cut(LinkLost("This end of the line in memory was closed"))
        if peer is not None and peer.peer is self:
            peer.unplugged()

    def cut(self, failure: InstrumentFailed) -> None:
        """What is still on its way is lost; `receive` raises `failure` after what has arrived."""
        self._lose_what_is_on_its_way()
        self._end = self._end or failure
        self._news.set()

    def unplugged(self) -> None:
        """The far end let go. A host's end is finished; a meter's end waits for the next."""
        self.peer = None
        self.cut(LinkLost("The far end of the line in memory was closed"))

    def _arrive(self, delivery: Delivery) -> None:
        if not delivery.data or self._end is not None:
            return
        self._unread_bytes += len(delivery.data)
        if self._unread_bytes > UNREAD_AT_MOST_BYTES:
            raise AssertionError(f"more than {UNREAD_AT_MOST_BYTES} bytes lie unread on a line in memory")
        due_ns = self._clock.mono_ns() + round(delivery.delay_s * NS_PER_S)
        if self._arriving:
            due_ns = max(due_ns, self._arriving[-1][0])
        self._arriving.append((due_ns, delivery.data))
        self._news.set()

    def _lose_what_is_on_its_way(self) -> None:
        now_ns = self._clock.mono_ns()
        self._arriving = deque(piece for piece in self._arriving if piece[0] <= now_ns)
        self._unread_bytes = sum(len(data) for _, data in self._arriving)

    async def _change(self) -> None:
        """Return when something new came, or when what is on its way has arrived."""
        if not self._arriving:
            await self._news.wait()
            return
        wait_s = (self._arriving[0][0] - self._clock.mono_ns()) / NS_PER_S
        waits = {asyncio.ensure_future(self._clock.sleep(wait_s)), asyncio.ensure_future(self._news.wait())}
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()


class _MeterEnd(MemoryLink):
    def unplugged(self) -> None:
        self.peer = None
        self._lose_what_is_on_its_way()


class MemoryLine:
    """A meter's end that stays, and a host's end that is made anew for each connection.

    Args:
        clock: times deliveries and stamps chunks.
        to_host, to_meter: the fate of what each side sends.
    """

    def __init__(self, clock: Clock, to_host: Fate = whole, to_meter: Fate = whole) -> None:
        self._clock = clock
        self._to_meter = to_meter
        self._refusal: InstrumentFailed | None = None
        self.connections = 0
        self.meter_end: MemoryLink = _MeterEnd(clock, self._plug_in, to_host)

    def host_end(self) -> MemoryLink:
        """A new link; opening it unplugs the one before."""
        return MemoryLink(self._clock, self._plug_in, self._to_meter)

    def refuse(self, failure: InstrumentFailed | None = None) -> None:
        """From now on opening raises `failure`; what is open stays so."""
        self._refusal = failure or LinkFailed("Nobody is there", "switch the meter on", LinkReason.MISSING)

    def accept(self) -> None:
        """From now on opening works again."""
        self._refusal = None

    def snap(self) -> None:
        """The wire breaks: the host's end is lost at once, with whatever was on its way."""
        self._cut_host(LinkLost("The line in memory broke"))

    def finish(self) -> None:
        """The meter is done for good: the host's end comes to its end."""
        self._cut_host(LinkEnded("The line in memory came to its end"))

    def _cut_host(self, failure: InstrumentFailed) -> None:
        host = self.meter_end.peer
        self.meter_end.unplugged()
        if host is not None:
            host.peer = None
            host.cut(failure)

    def _plug_in(self, host: MemoryLink) -> None:
        if self._refusal is not None:
            raise self._refusal
        self._cut_host(LinkLost("Another host took the line in memory"))
        self.connections += 1
        self.meter_end.peer, host.peer = host, self.meter_end
