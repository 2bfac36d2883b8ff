"""The TCP link against real sockets on the loopback address: refusals, resets, silence, floods, nothing left behind."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
import struct
import threading
import time
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from blockbuster import blockbuster_ctx
from line_parts import open_descriptors

from drivers.address import parse
from drivers.links import tcp
from drivers.links.open import link_for
from drivers.links.tcp import TcpLink
from logger.clock import SystemClock
from logger.errors import LinkFailed, LinkLost, LinkReason


class Listener:
    """A meter's listening socket, driven by hand."""

    def __init__(self, family: socket.AddressFamily = socket.AF_INET, backlog: int = 5) -> None:
        self.socket = socket.socket(family, socket.SOCK_STREAM)
        self.socket.bind(("::1" if family == socket.AF_INET6 else "127.0.0.1", 0))
        self.socket.listen(backlog)
        self.socket.setblocking(False)
        self.port: int = self.socket.getsockname()[1]

    async def accept(self) -> socket.socket:
        async with asyncio.timeout(60):
            connection, _ = await asyncio.get_running_loop().sock_accept(self.socket)
        return connection

    def link(self) -> TcpLink:
        return TcpLink("127.0.0.1", self.port, SystemClock())


def run(story: Callable[[Listener], Coroutine[Any, Any, None]]) -> None:
    async def with_listener() -> None:
        listener = Listener()
        try:
            await story(listener)
        finally:
            listener.socket.close()

    with blockbuster_ctx():
        asyncio.run(with_listener())


async def connected(listener: Listener) -> tuple[TcpLink, socket.socket]:
    link = listener.link()
    await link.open()
    return link, await listener.accept()


def test_bytes_go_both_ways_and_the_line_is_tuned() -> None:
    async def story(listener: Listener) -> None:
        link = link_for(parse(f"tcp:127.0.0.1:{listener.port}"), SystemClock())
        await link.open()
        meter = await listener.accept()
        loop = asyncio.get_running_loop()
        await loop.sock_sendall(meter, bytes(range(256)))
        got = b""
        while len(got) < 256:
            chunk = await link.receive()
            assert 0 < chunk.mono_ns <= SystemClock().mono_ns()
            got += chunk.data
        assert got == bytes(range(256))
        await link.send(b"@halt*08E33069\n")
        assert await loop.sock_recv(meter, 99) == b"@halt*08E33069\n"
        assert link.can_send
        assert isinstance(link, TcpLink)
        assert link._wire is not None
        connection = link._wire.transport.get_extra_info("socket")
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        assert connection.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        await link.close()
        assert await loop.sock_recv(meter, 99) == b""
        meter.close()

    run(story)


def test_a_name_and_an_ipv6_address_are_found() -> None:
    async def story(listener: Listener) -> None:
        link = TcpLink("localhost", listener.port, SystemClock())
        await link.open()
        await link.close()

    run(story)
    try:
        six = Listener(socket.AF_INET6)
    except OSError:
        pytest.skip("no IPv6 on this machine")

    async def over_six() -> None:
        link = link_for(parse(f"tcp:[::1]:{six.port}"), SystemClock())
        await link.open()
        await link.close()

    asyncio.run(over_six())
    six.socket.close()


def test_a_port_that_nobody_listens_on_is_refused() -> None:
    async def story(listener: Listener) -> None:
        listener.socket.close()
        with pytest.raises(LinkFailed, match="takes no connection: check the port number") as failed:
            await listener.link().open()
        assert failed.value.reason is LinkReason.REFUSED
        for_name = TcpLink("localhost", listener.port, SystemClock())
        with pytest.raises(LinkFailed) as failed:
            await for_name.open()
        assert failed.value.reason is LinkReason.REFUSED

    run(story)


@pytest.mark.parametrize("host", ["no-such-meter.invalid", "a..b", "x" * 70])
def test_a_name_that_nobody_knows_is_said_to_be_unknown(host: str) -> None:
    async def story(listener: Listener) -> None:
        with pytest.raises(LinkFailed, match="is not known to the network") as failed:
            await TcpLink(host, 4000, SystemClock()).open()
        assert failed.value.reason is LinkReason.MISSING

    run(story)


def test_a_far_end_that_does_not_answer_is_given_up() -> None:
    full = Listener(backlog=0)
    waiting = [socket.socket() for _ in range(3)]
    for each in waiting:
        each.setblocking(False)
        each.connect_ex(("127.0.0.1", full.port))

    async def story() -> None:
        link = TcpLink("127.0.0.1", full.port, SystemClock(), connect_limit_s=0.3)
        started = time.monotonic()
        with pytest.raises(LinkFailed, match="does not answer") as failed:
            await link.open()
        assert failed.value.reason is LinkReason.SILENT
        assert time.monotonic() - started < 20  # the system itself would take minutes
        await link.close()

    asyncio.run(story())
    for each in [*waiting, full.socket]:
        each.close()


def test_a_name_look_up_that_hangs_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    released = threading.Event()

    def hang(*_: object, **__: object) -> list[object]:
        released.wait(10)
        return []

    monkeypatch.setattr(socket, "getaddrinfo", hang)

    async def story() -> None:
        with pytest.raises(LinkFailed, match="does not answer"):
            await TcpLink("meter.local", 4000, SystemClock(), connect_limit_s=0.1).open()

    started = time.monotonic()
    try:
        asyncio.run(story())
    finally:
        released.set()
    assert time.monotonic() - started < 9


TROUBLES = [
    (OSError(errno.EHOSTUNREACH, "No route"), LinkReason.MISSING, "There is no way to"),
    (OSError(errno.ENETUNREACH, "Network"), LinkReason.MISSING, "There is no way to"),
    (PermissionError(errno.EPERM, "not permitted"), LinkReason.FORBIDDEN, "forbids"),
    (OSError(errno.EMFILE, "Too many open files"), LinkReason.BROKEN, "Too many open files"),
    (TimeoutError(), LinkReason.SILENT, "does not answer"),
]


@pytest.mark.parametrize(("error", "reason", "says"), TROUBLES)
def test_every_trouble_has_a_reason_and_a_remedy(error: OSError, reason: LinkReason, says: str) -> None:
    failure = TcpLink("10.0.0.9", 4000, SystemClock())._failure(error)
    assert (failure.reason, failure.__cause__) == (reason, error)
    assert says in failure.sentence
    assert failure.remedy


def test_what_arrived_before_the_close_is_handed_over_first() -> None:
    async def story(listener: Listener) -> None:
        link, meter = await connected(listener)
        await asyncio.get_running_loop().sock_sendall(meter, b"last words")
        meter.close()
        await asyncio.sleep(0.05)
        assert (await link.receive()).data == b"last words"
        with pytest.raises(LinkLost, match="closed the connection"):
            await link.receive()
        with pytest.raises(LinkLost):
            await link.send(b"x")
        await link.close()
        await link.close()

    run(story)


def test_what_arrived_before_a_reset_is_handed_over_first() -> None:
    async def story(listener: Listener) -> None:
        link, meter = await connected(listener)
        await asyncio.get_running_loop().sock_sendall(meter, b"last words")
        await asyncio.sleep(0.05)
        meter.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        meter.close()
        await asyncio.sleep(0.05)
        assert (await link.receive()).data == b"last words"
        with pytest.raises(LinkLost, match="broke"):
            await link.receive()
        await link.close()

    run(story)


def test_half_a_close_is_seen_though_nothing_that_we_sent_was_taken() -> None:
    async def story(listener: Listener) -> None:
        link, meter = await connected(listener)
        with pytest.raises(LinkLost, match="takes no bytes"):
            for _ in range(5000):
                await link.send(b"x" * 4096)
        meter.shutdown(socket.SHUT_WR)
        with pytest.raises(LinkLost, match="closed the connection"):
            async with asyncio.timeout(30):
                await link.receive()
        await link.close()
        meter.close()

    run(story)


def test_closing_is_bounded_when_the_far_end_takes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp, "CLOSE_LIMIT_S", 0.1)

    async def story(listener: Listener) -> None:
        link, meter = await connected(listener)
        with pytest.raises(LinkLost):
            for _ in range(5000):
                await link.send(b"x" * 4096)
        started = time.monotonic()
        await link.close()
        assert time.monotonic() - started < 20
        meter.close()

    run(story)


def test_a_flood_that_nobody_takes_is_held_up_and_lost_in_no_part() -> None:
    async def story(listener: Listener) -> None:
        link, meter = await connected(listener)
        sent = os.urandom(8_000_000)
        sending = asyncio.ensure_future(asyncio.get_running_loop().sock_sendall(meter, sent))
        assert link._wire is not None
        for _ in range(50):  # time for all of it to come, if all were let in
            await asyncio.sleep(0.01)
        held = link._wire._arrivals.waiting_bytes
        assert tcp.WAITING_AT_MOST_BYTES < held < 3 * tcp.WAITING_AT_MOST_BYTES
        assert held < len(sent) / 2  # the rest waits in the system's buffers, or with the sender: that is up to them
        got = bytearray()
        while len(got) < len(sent):
            got += (await link.receive()).data
        assert bytes(got) == sent
        await sending
        await link.close()
        meter.close()

    run(story)


def test_a_cancelled_wait_loses_nothing() -> None:
    async def story(listener: Listener) -> None:
        link, meter = await connected(listener)
        for number in range(20):
            waiting = asyncio.ensure_future(link.receive())
            await asyncio.sleep(0)
            await asyncio.get_running_loop().sock_sendall(meter, bytes([number]))
            if number % 2:
                await asyncio.sleep(0)
            waiting.cancel()
            await asyncio.gather(waiting, return_exceptions=True)
            got = waiting.result().data if not waiting.cancelled() else (await link.receive()).data
            assert got == bytes([number])
        await link.close()
        meter.close()

    run(story)


def test_a_connection_from_a_port_to_itself_is_no_meter(monkeypatch: pytest.MonkeyPatch) -> None:
    async def story(listener: Listener) -> None:
        monkeypatch.setattr(tcp, "_is_connected_to_itself", lambda _transport: True)
        with pytest.raises(LinkFailed) as failed:
            await listener.link().open()
        assert failed.value.reason is LinkReason.REFUSED

    run(story)


def test_connecting_to_itself_is_recognised() -> None:
    async def story() -> None:
        alone = socket.socket()
        alone.bind(("127.0.0.1", 0))
        alone.setblocking(False)
        alone.connect_ex(alone.getsockname())
        await asyncio.sleep(0.05)
        transport, _ = await asyncio.get_running_loop().create_connection(asyncio.Protocol, sock=alone)
        assert tcp._is_connected_to_itself(transport)
        transport.abort()

    asyncio.run(story())


def test_opening_and_closing_leaves_nothing_behind() -> None:
    async def story() -> None:
        listener = Listener()
        descriptors = open_descriptors()
        for _ in range(200):
            link, meter = await connected(listener)
            await link.close()
            meter.close()
        assert open_descriptors() == descriptors
        assert asyncio.all_tasks() == {asyncio.current_task()}
        listener.socket.close()

    asyncio.run(story())
