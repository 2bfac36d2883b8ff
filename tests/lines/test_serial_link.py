"""The serial link on real pseudo-terminals: chunks, hang-ups, refusals, a deaf far end, and nothing left behind."""

from __future__ import annotations

import asyncio
import errno
import os
import sys
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from blockbuster import blockbuster_ctx
from line_parts import open_descriptors, real_until, threads_named

from drivers.address import parse
from drivers.links import serial_port
from drivers.links.base import Chunk, Link
from drivers.links.open import link_for
from drivers.links.serial_place import SerialPlace
from drivers.links.serial_port import SerialLink
from drivers.links.serial_trouble import open_failure
from drivers.links.threads import INBOX_CHUNKS
from logger.clock import SystemClock
from logger.errors import LinkFailed, LinkLost, LinkReason

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


class Terminal:
    """A pseudo-terminal: the meter's end is a descriptor, the host's end a path."""

    def __init__(self) -> None:
        self.meter, slave = os.openpty()
        self.path = os.ttyname(slave)
        os.close(slave)  # kept open here, the host's port would never hang up
        os.set_blocking(self.meter, False)

    def write(self, data: bytes) -> None:
        os.write(self.meter, data)

    def read(self) -> bytes:
        try:
            return os.read(self.meter, 65536)
        except BlockingIOError:
            return b""

    def hang_up(self) -> None:
        if self.meter >= 0:
            os.close(self.meter)
            self.meter = -1


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    made = Terminal()
    yield made
    made.hang_up()


def run(story: Callable[[], Coroutine[Any, Any, None]]) -> None:
    with blockbuster_ctx("drivers"):
        asyncio.run(story())


def port(terminal: Terminal) -> SerialLink:
    return SerialLink(SerialPlace(terminal.path, SystemClock()), 115_200, SystemClock())


async def collect(link: Link, wanted: int) -> list[Chunk]:
    chunks: list[Chunk] = []
    async with asyncio.timeout(60):
        while sum(len(chunk.data) for chunk in chunks) < wanted:
            chunks.append(await link.receive())
    return chunks


def test_bytes_go_both_ways_unaltered(terminal: Terminal) -> None:
    every_byte = bytes(range(256))

    async def story() -> None:
        link = link_for(parse(f"serial:{terminal.path}"), SystemClock())
        await link.open()
        before_ns = SystemClock().mono_ns()
        terminal.write(every_byte)
        chunks = await collect(link, 256)
        assert b"".join(chunk.data for chunk in chunks) == every_byte
        assert all(before_ns < chunk.mono_ns < SystemClock().mono_ns() for chunk in chunks)
        await link.send(every_byte)
        assert link.can_send
        await link.close()
        assert terminal.read() == every_byte

    run(story)


def test_byte_by_byte_and_in_a_flood(terminal: Terminal) -> None:
    async def story() -> None:
        link = port(terminal)
        await link.open()
        for value in range(50):
            terminal.write(bytes([value]))
            await asyncio.sleep(0)
        assert b"".join(c.data for c in await collect(link, 50)) == bytes(range(50))
        sent = os.urandom(200_000)

        def pump() -> None:
            rest = memoryview(sent)
            while rest:
                try:
                    rest = rest[os.write(terminal.meter, rest[:4096]) :]
                except BlockingIOError:
                    time.sleep(0.001)

        pumping = threading.Thread(target=pump)
        pumping.start()
        chunks = await collect(link, len(sent))
        assert b"".join(c.data for c in chunks) == sent
        assert max(len(c.data) for c in chunks) <= serial_port.READ_AT_MOST_BYTES + 1
        await asyncio.to_thread(pumping.join)
        await link.close()

    asyncio.run(story())


def test_a_taker_that_sleeps_loses_nothing(terminal: Terminal) -> None:
    async def story() -> None:
        link = port(terminal)
        await link.open()
        count = INBOX_CHUNKS + 200

        def pump() -> None:
            for number in range(count):
                while True:
                    try:
                        os.write(terminal.meter, f"{number:05d}".encode())
                        break
                    except BlockingIOError:
                        time.sleep(0.001)
                if number < INBOX_CHUNKS + 50:
                    time.sleep(0.0002)  # lets the port's thread take each by itself

        await asyncio.to_thread(pump)
        chunks = await collect(link, 5 * count)
        assert b"".join(c.data for c in chunks) == b"".join(f"{n:05d}".encode() for n in range(count))
        await link.close()

    asyncio.run(story())


@pytest.mark.parametrize("within_s", [30, pytest.param(1, marks=pytest.mark.slow, id="a second, on a quiet machine")])
@pytest.mark.parametrize("waiting", [True, False])
def test_a_hang_up_is_seen_at_once_and_the_thread_ends(terminal: Terminal, waiting: bool, within_s: float) -> None:
    async def story() -> None:
        link = port(terminal)
        await link.open()
        terminal.write(b"@half")
        assert (await link.receive()).data == b"@half"
        receiving = asyncio.ensure_future(link.receive()) if waiting else None
        await asyncio.sleep(0.01)
        started = time.monotonic()
        terminal.hang_up()
        with pytest.raises(LinkLost, match="unplugged or hung up"):
            async with asyncio.timeout(within_s):
                await (receiving or link.receive())
        assert time.monotonic() - started < within_s
        await real_until(lambda: threads_named(f"port {terminal.path}") == 0)
        with pytest.raises(LinkLost):
            await link.receive()
        with pytest.raises(LinkLost):
            await link.send(b"x")
        await link.close()

    run(story)


def test_after_a_hang_up_nothing_spins(terminal: Terminal) -> None:
    async def story() -> None:
        link = port(terminal)
        await link.open()
        terminal.hang_up()
        before_s = time.process_time()
        for _ in range(50):  # half a second of the machine's own time is what is measured here
            await asyncio.sleep(0.01)
        assert time.process_time() - before_s < 0.2
        await link.close()

    run(story)


def test_a_second_opener_is_refused_and_told_so(terminal: Terminal) -> None:
    async def story() -> None:
        first, second = port(terminal), port(terminal)
        await first.open()
        with pytest.raises(LinkFailed, match="held by another program: close the program") as failed:
            await second.open()
        assert failed.value.reason is LinkReason.BUSY
        await second.close()
        await first.close()
        third = port(terminal)
        await third.open()
        await third.close()

    run(story)


def test_a_far_end_that_takes_nothing_may_still_speak(terminal: Terminal) -> None:
    async def story() -> None:
        link = port(terminal)
        await link.open()
        started = time.monotonic()
        with pytest.raises(LinkLost, match="takes no bytes"):
            for _ in range(20):
                await link.send(b"@ask what=id*9FD7B268\n" * 200)
        assert time.monotonic() - started < 30
        terminal.write(b"still here")
        assert b"".join(c.data for c in await collect(link, 10)) == b"still here"
        await link.close()

    run(story)


def test_a_port_that_is_not_there_names_those_that_are() -> None:
    async def story() -> None:
        link = link_for(parse("serial:/dev/ttyNoSuchKiln"), SystemClock())
        with pytest.raises(LinkFailed, match="There is no serial port /dev/ttyNoSuchKiln: plug the meter in") as failed:
            await link.open()
        assert failed.value.reason is LinkReason.MISSING
        assert failed.value.exit_code == 3
        await link.close()

    run(story)


def test_a_file_that_is_no_port_is_said_to_be_none(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_bytes(b"glaze recipes")

    async def story() -> None:
        for path in (plain, tmp_path, Path("/dev/null")):
            link = link_for(parse(f"serial:{path}"), SystemClock())
            with pytest.raises(LinkFailed, match=f"^{path} is no serial port: plug the meter in") as failed:
                await link.open()
            assert failed.value.reason is LinkReason.MISSING
            await link.close()

    run(story)
    assert plain.read_bytes() == b"glaze recipes"


TROUBLES = [
    (serial.SerialException(errno.EACCES, "could not open port"), LinkReason.FORBIDDEN, "forbidden to you"),
    (serial.SerialException(errno.EBUSY, "could not open port"), LinkReason.BUSY, "held by another"),
    (serial.SerialException(errno.ENODEV, "could not open port"), LinkReason.MISSING, "no serial port"),
    (
        serial.SerialException("could not open port 'COM5': FileNotFoundError(2, 'Not found', None, 2)"),
        LinkReason.MISSING,
        "no serial port",
    ),
    (
        serial.SerialException("could not open port 'COM5': PermissionError(13, 'Access is denied.', None, 5)"),
        LinkReason.BUSY,
        "held by another",
    ),
    (serial.SerialException("OSError(22, 'The semaphore timeout expired', None, 121)"), LinkReason.BROKEN, "semaphore"),
    (ValueError("Invalid baud rate: 7"), LinkReason.BROKEN, "cannot run at 7 baud"),
    (TypeError("an integer is required"), LinkReason.BROKEN, "cannot be opened"),
]


@pytest.mark.parametrize(("error", "reason", "says"), TROUBLES)
def test_every_trouble_has_a_reason_and_a_remedy(error: Exception, reason: LinkReason, says: str) -> None:
    failure = open_failure(SerialPlace("COM5\x1b[2J", SystemClock()), 7, error)
    assert failure.reason is reason
    assert says in failure.sentence
    assert failure.remedy
    assert "\x1b" not in str(failure)


def test_the_remedy_for_a_forbidden_port_names_the_group() -> None:
    from drivers.links.serial_trouble import _how_to_be_allowed

    assert "dialout" in _how_to_be_allowed("linux")
    assert "settings" in _how_to_be_allowed("darwin")


def test_opening_that_hangs_is_given_up(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    release = threading.Event()

    class Stuck(serial.Serial):
        def open(self) -> None:
            release.wait(10)
            super().open()

    monkeypatch.setattr(serial, "Serial", Stuck)
    monkeypatch.setattr(serial_port, "OPEN_LIMIT_S", 0.1)
    monkeypatch.setattr(serial_port, "CLOSE_LIMIT_S", 0.1)

    async def story() -> None:
        link = port(terminal)
        with pytest.raises(LinkFailed, match="does not open") as failed:
            await link.open()
        assert failed.value.reason is LinkReason.SILENT
        await link.close()
        release.set()
        await real_until(lambda: threads_named(f"port {terminal.path}") == 0)

    run(story)


def test_closing_that_hangs_is_left_behind(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    release = threading.Event()

    class Clinging(serial.Serial):
        def close(self) -> None:
            release.wait(10)
            super().close()

    monkeypatch.setattr(serial, "Serial", Clinging)
    monkeypatch.setattr(serial_port, "CLOSE_LIMIT_S", 0.2)

    async def story() -> None:
        link = port(terminal)
        await link.open()
        started = time.monotonic()
        await link.close()
        assert time.monotonic() - started < 9
        release.set()
        await real_until(lambda: threads_named(f"port {terminal.path}") == 0)

    run(story)


def test_a_loop_that_is_gone_ends_the_thread(terminal: Terminal) -> None:
    async def story() -> None:
        await port(terminal).open()

    run(story)
    terminal.write(b"anybody there?")
    waited = 0.0
    while threads_named(f"port {terminal.path}") and waited < 5:
        time.sleep(0.02)
        waited += 0.02
    assert threads_named(f"port {terminal.path}") == 0


def test_opening_and_closing_leaves_nothing_behind(terminal: Terminal) -> None:
    async def story() -> None:
        async def once() -> None:
            link = port(terminal)
            await link.open()
            await link.close()
            await link.close()

        await once()
        await real_until(lambda: threads_named("port ") == 0)
        descriptors, threads = open_descriptors(), threading.active_count()
        for _ in range(200):
            await once()
        await real_until(lambda: threads_named("port ") == 0)
        assert open_descriptors() == descriptors
        assert threading.active_count() == threads

    run(story)


def test_a_link_that_was_never_opened_can_be_closed() -> None:
    asyncio.run(link_for(parse("serial:/dev/null"), SystemClock()).close())
