"""The whole line on the machine's own time: a stranger's meter that goes and comes back, by serial and TCP."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import socket
import sys
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import Any

import pytest
from blockbuster import blockbuster_ctx
from line_parts import PlainMeter, nothing_held, real_until

from drivers.address import parse
from drivers.instrument import Instrument
from drivers.line import run_line
from drivers.links.arrivals import Arrivals
from drivers.links.base import Chunk
from drivers.links.open import link_for
from logger.clock import SystemClock
from logger.errors import LinkFailed, LinkLost, LinkReason
from logger.happening import Disconnected, Happening, Read, Ready, Reconnected


class DescriptorEnd:
    """The meter's end of a pseudo-terminal or a socket, as a link."""

    can_send = True

    def __init__(self, descriptor: int, chunk: int = 4096) -> None:
        self._descriptor = descriptor
        self._chunk = chunk
        self._arrivals = Arrivals()
        os.set_blocking(descriptor, False)
        asyncio.get_running_loop().add_reader(descriptor, self._readable)

    async def open(self) -> None: ...

    async def receive(self) -> Chunk:
        return await self._arrivals.take()

    async def send(self, data: bytes) -> None:
        for at in range(0, len(data), self._chunk):
            with contextlib.suppress(OSError):
                os.write(self._descriptor, data[at : at + self._chunk])
            if self._chunk == 1:
                await asyncio.sleep(0)

    async def close(self) -> None:
        if self._descriptor >= 0:
            asyncio.get_running_loop().remove_reader(self._descriptor)
            os.close(self._descriptor)
            self._descriptor = -1
            self._arrivals.end(LinkLost("closed"))

    def _readable(self) -> None:
        try:
            data = os.read(self._descriptor, 4096)
        except OSError:  # no host has the port open at the moment
            data = b""
        if data:
            self._arrivals.add(Chunk(data, 0))
        else:
            asyncio.get_running_loop().remove_reader(self._descriptor)
            asyncio.get_running_loop().call_later(0.02, self._listen_again)

    def _listen_again(self) -> None:
        if self._descriptor >= 0:
            asyncio.get_running_loop().add_reader(self._descriptor, self._readable)


class Running:
    """A line in earnest: real clock, real link, real conversation."""

    def __init__(self, url: str, **options: Any) -> None:
        self.happenings: list[Happening] = []
        self.stop = asyncio.Event()
        address, clock = parse(url), SystemClock()
        conversation = Instrument(url, 50, nothing_held)

        def emit(batch: Sequence[Happening]) -> None:
            self.happenings.extend(batch)

        run = run_line(
            conversation,
            lambda: link_for(address, clock),
            clock,
            emit,
            self.stop,
            random.Random(1),
            line=url,
            **options,
        )
        self.task = asyncio.ensure_future(run)

    def numbers(self) -> list[int]:
        return sorted(h.reading.n for h in self.happenings if isinstance(h, Read) and not h.repeat)

    def count(self, kind: type[Happening]) -> int:
        return sum(isinstance(h, kind) for h in self.happenings)


def run(story: Callable[[], Coroutine[Any, Any, None]]) -> None:
    with blockbuster_ctx("drivers"):  # the stranger may block; we may not
        asyncio.run(story())


posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


def terminal(link: Path) -> int:
    """A pseudo-terminal whose host's end is found under `link`; the meter's descriptor."""
    master, slave = os.openpty()
    fresh = link.with_suffix(".new")
    fresh.symlink_to(os.ttyname(slave))
    fresh.replace(link)
    os.close(slave)
    return master


@posix
@pytest.mark.parametrize("chunk", [1, 4096])
def test_a_meter_on_a_serial_line_goes_and_comes_back_under_the_same_name(tmp_path: Path, chunk: int) -> None:
    async def story() -> None:
        port = tmp_path / "port"
        end = DescriptorEnd(terminal(port), chunk)
        meter = PlainMeter(end)
        serving = asyncio.ensure_future(meter.serve())
        line = Running(f"serial:{port}")
        await real_until(lambda: meter.rate == 50)
        for _ in range(3):
            await meter.read()
        await real_until(lambda: line.numbers() == [1, 2, 3])
        await end.close()
        await real_until(lambda: line.count(Disconnected) == 1, within_s=1)
        meter.reading()
        await serving
        end = meter.link = DescriptorEnd(terminal(port), chunk)
        serving = asyncio.ensure_future(meter.serve())
        await real_until(lambda: line.count(Reconnected) == 1)
        await meter.read()
        await real_until(lambda: line.numbers() == [1, 2, 3, 4, 5])
        line.stop.set()
        await line.task
        await real_until(lambda: meter.asked[-1] == "halt")
        assert line.count(Ready) == 1
        await end.close()
        await serving

    run(story)


def listener_on(port: int) -> socket.socket:
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    listener.listen(1)
    listener.setblocking(False)
    return listener


async def the_one_host(listener: socket.socket) -> int:
    """Take one host, then listen no longer."""
    async with asyncio.timeout(60):
        connection, _ = await asyncio.get_running_loop().sock_accept(listener)
    listener.close()
    return connection.detach()


def test_a_meter_on_tcp_that_takes_one_host_and_is_away_for_a_while() -> None:
    async def story() -> None:
        listener = listener_on(0)
        port = listener.getsockname()[1]
        line = Running(f"tcp:127.0.0.1:{port}")
        end = DescriptorEnd(await the_one_host(listener))
        meter = PlainMeter(end)
        serving = asyncio.ensure_future(meter.serve())
        await real_until(lambda: meter.rate == 50)
        await meter.read()
        await real_until(lambda: line.numbers() == [1])
        await end.close()
        await serving
        meter.reading()
        for _ in range(80):  # refused meanwhile, more than once: the back-off runs on the machine's own time
            await asyncio.sleep(0.01)
        end = meter.link = DescriptorEnd(await the_one_host(listener_on(port)))
        serving = asyncio.ensure_future(meter.serve())
        await real_until(lambda: line.count(Reconnected) == 1)
        await meter.read()
        await real_until(lambda: line.numbers() == [1, 2, 3])
        line.stop.set()
        await line.task
        await real_until(lambda: meter.asked[-1] == "halt")
        await end.close()
        await serving

    run(story)


@pytest.mark.parametrize("speaks", [False, True])
def test_a_far_end_that_never_says_who_it_is_is_given_up(speaks: bool) -> None:
    async def story() -> None:
        listener = listener_on(0)
        line = Running(f"tcp:127.0.0.1:{listener.getsockname()[1]}", first_try_s=0.6)
        end = DescriptorEnd(await the_one_host(listener))
        if speaks:
            await end.send(b"\x00noise\r\n@rd n=1*00000000\n")
        with pytest.raises(LinkFailed, match="not who it is" if speaks else "does not answer") as failed:
            await line.task
        assert failed.value.reason is LinkReason.SILENT
        await end.close()

    run(story)
