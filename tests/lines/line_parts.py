"""Parts that the tests of this folder share: a clock moved by hand, a stranger's meter, a counting conversation."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from drivers.codecs.meter_line import Frame, MeterLineCodec, NeedData, encode
from drivers.links.base import Link
from logger.clock import ManualClock
from logger.errors import LinkLost
from logger.happening import Disconnected, Happening, RawBytes, Ready
from logger.reading import Identity

TURNS = 40
"""How often the loop is let round until everything that can go on has gone on."""


async def settle() -> None:
    for _ in range(TURNS):
        await asyncio.sleep(0)


async def advance(clock: ManualClock, seconds: float, step_s: float = 0.05) -> None:
    """Move the clock on in steps, letting everybody act after each."""
    for _ in range(round(seconds / step_s)):
        clock.advance(step_s)
        await settle()


async def until(clock: ManualClock, holds: Callable[[], bool], within_s: float = 30, step_s: float = 0.05) -> float:
    """Move the clock on until `holds`; how many seconds it took."""
    started_ns = clock.mono_ns()
    await settle()
    while not holds():
        taken_s = (clock.mono_ns() - started_ns) / 1e9
        assert taken_s < within_s, f"did not come within {within_s} s"
        clock.advance(step_s)
        await settle()
    return (clock.mono_ns() - started_ns) / 1e9


async def real_until(holds: Callable[[], bool], within_s: float = 60) -> None:
    """Wait on the machine's own time, for what threads and the operating system do."""
    for _ in range(round(within_s / 0.005)):
        if holds():
            return
        await asyncio.sleep(0.005)
    raise AssertionError(f"did not come within {within_s} s")


def threads_named(start: str) -> int:
    return sum(thread.name.startswith(start) for thread in threading.enumerate())


def open_descriptors() -> int:
    listed = Path("/proc/self/fd")
    return len(list(listed.iterdir())) if listed.exists() else 0


def nothing_held(serial: str, boot: str) -> None:
    """Resume with an empty logbook."""


class CountingConversation:
    """A conversation in earnest, of the simplest protocol: any byte makes it ready, dots ask for more every second."""

    def __init__(self, line: str = "memory:") -> None:
        self.line = line
        self.received = bytearray()
        self.times_ns: list[int] = []
        self.connections = 0
        self.disconnections: list[str] = []
        self.ticks: list[int] = []
        self.halted = 0
        self._out = b""
        self._deadline_ns: int | None = None
        self._ready = False
        self.wants_reopening = False

    def connected(self, now_ns: int) -> Sequence[Happening]:
        self.connections += 1
        self.wants_reopening = False
        self._out += b"hello\n"
        self._deadline_ns = now_ns + 1_000_000_000
        return []

    def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
        offset = len(self.received)
        self.received += data
        self.times_ns.append(now_ns)
        happenings: list[Happening] = [RawBytes(self.line, now_ns, data, offset)]
        if not self._ready:
            self._ready = True
            happenings.append(Ready(self.line, now_ns, Identity("1", "b"), ()))
        return happenings

    def disconnected(self, now_ns: int, why: str) -> Sequence[Happening]:
        self.disconnections.append(why)
        self._deadline_ns = None
        return [Disconnected(self.line, now_ns, why)]

    def tick(self, now_ns: int) -> Sequence[Happening]:
        self.ticks.append(now_ns)
        if self._deadline_ns is not None and now_ns >= self._deadline_ns:
            self._out += b"."
            self._deadline_ns = now_ns + 1_000_000_000
        return []

    def deadline_ns(self) -> int | None:
        return self._deadline_ns

    def outgoing(self) -> bytes:
        out, self._out = self._out, b""
        return out

    def halt(self) -> None:
        self.halted += 1
        self._out += b"halt\n"


class PlainMeter:
    """The meter's side of the Meter Line Protocol, on any link: answers, streams when told, keeps what it sent.

    Stands in for no part of ours: it is the stranger on the other end.
    """

    def __init__(self, link: Link, serial: str = "0417", boot: str = "b1", model: str = "TM-2") -> None:
        self.link = link
        self.model = model
        self.serial = serial
        self.boot = boot
        self.n = 0
        self.asked: list[str] = []
        self.rate = 0
        self._codec = MeterLineCodec()

    async def serve(self) -> None:
        """Answer until the wire breaks."""
        try:
            while True:
                self._codec.receive((await self.link.receive()).data)
                while not isinstance(event := self._codec.next_event(), NeedData):
                    if isinstance(event, Frame):
                        await self._answer(event)
        except LinkLost:
            return

    async def read(self, value: str = "512.3", **fields: str) -> None:
        """Send one reading."""
        await self.link.send(self.reading(value, **fields))

    def reading(self, value: str = "512.3", **fields: str) -> bytes:
        self.n += 1
        return self._reading(self.n, value, **fields)

    async def introduce(self) -> None:
        fields = {"proto": "1", "maker": "Kiln Works", "model": self.model, "serial": self.serial, "fw": "1.4"}
        fields |= {"boot": self.boot, "cal": "2027-12-01", "batt": "87", "leads": "A"}
        await self.link.send(encode("id", fields))

    def _reading(self, n: int, value: str, **fields: str) -> bytes:
        told = {"n": str(n), "t": str(100 * n), "fn": "insulation", "rg": "2", "r": "eq", "v": value, "u": "MOhm"}
        return encode("rd", told | {"vt": "500", "vm": "523", "f": "steady"} | fields)

    async def _answer(self, frame: Frame) -> None:
        what = frame.fields.get("what", "")
        self.asked.append(f"{frame.type} {what}".strip())
        if frame.type == "run":
            self.rate = int(frame.fields["rate"])
        elif frame.type == "halt":
            self.rate = 0
        elif what == "id":
            await self.introduce()
            await self.link.send(encode("end", {"of": "id"}))
        elif what == "functions":
            limits = {"u": "MOhm", "min": "0", "max": "1000", "res": "0.1", "acc": "3", "dig": "2", "vt": "250,500"}
            await self.link.send(encode("fn", {"fn": "insulation", "rg": "2"} | limits))
            await self.link.send(encode("end", {"of": "functions"}))
        elif what == "stored":
            for n in range(int(frame.fields["from"]), min(int(frame.fields["to"]), self.n) + 1):
                await self.link.send(self._reading(n, "512.3", f="steady,stored"))
            await self.link.send(encode("end", {"of": "stored"}))
