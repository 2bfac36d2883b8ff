"""A simulated meter on a line that other programs can open: TCP on this machine, or a pseudo-terminal of its own.
For Bluetooth LE see `ble`.

    async with serve_tcp(meter, port, clock) as served: ...   # served.url is `tcp:127.0.0.1:PORT`
    async with serve_pty(meter, clock) as served: ...         # served.url is `serial:PATH`

Runs on the caller's event loop; `thread.SimulatorThread` runs one of its own. The meter is switched on when serving
begins. One host at a time: another may come once the first is gone. While the line is pulled (`drop`), the host is
hung up on; under the same URL it comes back.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Final, Protocol

from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.tcp_port import TcpPort
from logger.clock import NS_PER_S, Clock

WAKE_AT_LEAST_EVERY_NS: Final = NS_PER_S
"""Longest wait before the meter is looked at again: it has something to say within two seconds anyway."""


class Port(Protocol):
    """What carries bytes to and from one host at a time. Every method returns at once."""

    def write(self, data: bytes) -> None:
        """Send to the host; lost where there is none, or it does not read."""

    def hang_up(self) -> None:
        """Drop the host, and keep every other out."""

    def pick_up(self) -> None:
        """Let a host in again. Harmless where one may come in already."""


class Served:
    """A meter being served.

    Attributes:
        url: what to open it by.
        task: what keeps it going; it ends only by being cancelled, or by a failure.
    """

    def __init__(self, meter: SimulatedMeter, clock: Clock) -> None:
        self.url = ""
        self.task: asyncio.Task[None] | None = None
        self._meter = meter
        self._clock = clock
        self._wake = asyncio.Event()
        meter.switch_on(clock.mono_ns())

    def command(self, text: str) -> str:
        """Do what the operator's hands are told; yields what a person is told, a complaint included."""
        told = self._meter.command(text, self._clock.mono_ns())
        self._wake.set()
        return told

    def perform(self, text: str) -> str:
        """Like `command`.

        Raises:
            InputWrong: if there is no such word, or it cannot be done.
        """
        told = self._meter.perform(text, self._clock.mono_ns())
        self._wake.set()
        return told

    def hear(self, data: bytes) -> None:
        """Bytes came from the host."""
        self._meter.receive(data, self._clock.mono_ns())
        self._wake.set()

    async def run(self, port: Port) -> None:
        """Keep the meter going and its bytes flowing, until cancelled."""
        away = False
        while True:
            self._wake.clear()
            now_ns = self._clock.mono_ns()
            self._meter.tick(now_ns)
            if data := self._meter.outgoing():
                port.write(data)
            back_ns = self._meter.away_until_ns(now_ns)
            if away != (back_ns is not None):
                away = back_ns is not None
                (port.hang_up if away else port.pick_up)()
            soon = min(self._meter.deadline_ns(), back_ns or now_ns + WAKE_AT_LEAST_EVERY_NS)
            await self._until(min(soon, now_ns + WAKE_AT_LEAST_EVERY_NS))

    async def _until(self, due_ns: int) -> None:
        """Wait until a time, or until something happens before."""
        seconds = max(0.0, (due_ns - self._clock.mono_ns()) / NS_PER_S)
        waits = {asyncio.ensure_future(self._clock.sleep(seconds)), asyncio.ensure_future(self._wake.wait())}
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()


@asynccontextmanager
async def serve_tcp(meter: SimulatedMeter, port: int, clock: Clock) -> AsyncIterator[Served]:
    """Serve on TCP, on the loopback address only. Port 0 takes a free one.

    Raises:
        LinkFailed: if the port is taken or forbidden.
    """
    served = Served(meter, clock)
    carrier = TcpPort(served.hear)
    served.url = f"tcp:127.0.0.1:{await carrier.open(port)}"
    try:
        async with running(served, carrier):
            yield served
    finally:
        await carrier.close()


@asynccontextmanager
async def serve_pty(meter: SimulatedMeter, clock: Clock) -> AsyncIterator[Served]:
    """Serve on a pseudo-terminal, under a path that stays the same through hang-ups.

    Raises:
        LinkFailed: on a system that has none (Windows): use TCP there.
    """
    from drivers.simulator.pty_port import PtyPort

    served = Served(meter, clock)
    carrier = PtyPort(served.hear, clock)
    served.url = f"serial:{carrier.open()}"
    try:
        async with running(served, carrier):
            yield served
    finally:
        await carrier.close()


@asynccontextmanager
async def running(served: Served, port: Port) -> AsyncIterator[None]:
    """Keep a served meter going on a carrier that stands, for as long as this lasts."""
    served.task = asyncio.create_task(served.run(port))
    try:
        yield
    finally:
        served.task.cancel()
        with suppress(asyncio.CancelledError):
            await served.task
