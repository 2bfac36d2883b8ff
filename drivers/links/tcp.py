"""The TCP link: a raw stream to a serial-to-network converter or a simulated meter, on an asyncio transport.

Not on `asyncio.StreamReader`: when a connection is reset, that forgets what had arrived and was not read yet.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import ipaddress
import socket

from drivers.links.arrivals import Arrivals
from drivers.links.base import CLOSE_LIMIT_S, Chunk
from drivers.links.threads import in_daemon_thread
from logger.clock import Clock
from logger.errors import LinkFailed, LinkLost, LinkReason
from logger.text import harmless

CONNECT_LIMIT_S = 5.0
"""Longest wait for a connection, name look-up included, seconds: two lost packets and their repeats."""

ADDRESSES_AT_MOST = 4
"""Most addresses of one name that are tried: a machine has one or two, each in both families."""

WAITING_AT_MOST_BYTES = 262_144
"""Most bytes that arrived and were not taken before the far end is held up: what one read of asyncio may bring."""

BACKLOG_AT_MOST_BYTES = 16_384
"""Most bytes waiting for a far end that takes none: far more than all commands of an hour."""

KEEPALIVE_IDLE_S, KEEPALIVE_EVERY_S, KEEPALIVE_PROBES = 10, 5, 3
"""A far end that is gone without a word is noticed after about 25 s even if nothing is sent."""

_UNREACHABLE = {errno.EHOSTUNREACH, errno.ENETUNREACH, errno.EHOSTDOWN, errno.ENETDOWN, errno.EADDRNOTAVAIL}


class _Wire(asyncio.Protocol):
    """The loop's side of one connection: stamps what arrives, and holds the far end up when nobody takes it."""

    transport: asyncio.Transport

    def __init__(self, clock: Clock, place: str) -> None:
        self._clock = clock
        self._place = place
        self._arrivals = Arrivals()
        self._is_paused = False
        self.gone = asyncio.Event()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        self._arrivals.add(Chunk(data, self._clock.mono_ns()))
        if self._arrivals.waiting_bytes > WAITING_AT_MOST_BYTES and not self._is_paused:
            self._is_paused = True
            self.transport.pause_reading()

    def eof_received(self) -> bool:
        self._arrivals.end(LinkLost(f"{self._place} closed the connection"))
        return False

    def connection_lost(self, exc: Exception | None) -> None:
        failure = LinkLost(f"The connection to {self._place} is closed")
        if exc is not None:
            said = getattr(exc, "strerror", None) or str(exc)
            failure = LinkLost(f"The connection to {self._place} broke ({harmless(said)})")
            failure.__cause__ = exc
        self._arrivals.end(failure)
        self.gone.set()

    async def take(self) -> Chunk:
        chunk = await self._arrivals.take()
        if self._is_paused and self._arrivals.waiting_bytes <= WAITING_AT_MOST_BYTES and not self.gone.is_set():
            self._is_paused = False
            self.transport.resume_reading()
        return chunk


class TcpLink:
    """A TCP connection.

    Args:
        host: name or address, IPv6 without brackets.
        port: 1 to 65535.
        clock: stamps the chunks.
        connect_limit_s: longest wait for the connection, seconds.
    """

    can_send = True

    def __init__(self, host: str, port: int, clock: Clock, connect_limit_s: float = CONNECT_LIMIT_S) -> None:
        self._host = host
        self._port = port
        self._clock = clock
        self._connect_limit_s = connect_limit_s
        self._place = f"{harmless(host)} port {port}"
        self._wire: _Wire | None = None

    async def open(self) -> None:
        """Connect. Raises LinkFailed (missing, refused, silent, broken)."""
        try:
            async with asyncio.timeout(self._connect_limit_s):
                self._wire = await self._connect()
        except TimeoutError as error:
            raise LinkFailed(
                f"{self._place} does not answer",
                "check the address, and that meter and network are switched on",
                LinkReason.SILENT,
            ) from error
        _tune(self._wire.transport)

    async def receive(self) -> Chunk:
        """The next chunk. Raises LinkLost once the far end has closed or reset the connection."""
        if self._wire is None:
            raise LinkLost(f"The connection to {self._place} is closed")
        return await self._wire.take()

    async def send(self, data: bytes) -> None:
        """Queue `data` at the operating system; never waits."""
        if self._wire is None or self._wire.transport.is_closing():
            raise LinkLost(f"The connection to {self._place} is closed")
        if self._wire.transport.get_write_buffer_size() > BACKLOG_AT_MOST_BYTES:
            raise LinkLost(f"{self._place} takes no bytes")
        self._wire.transport.write(data)

    async def close(self) -> None:
        """Send what is queued, then close; cut it off if the far end takes nothing."""
        if self._wire is None:
            return
        wire, self._wire = self._wire, None
        wire.transport.close()
        try:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(CLOSE_LIMIT_S):
                    await wire.gone.wait()
        finally:
            wire.transport.abort()

    async def _connect(self) -> _Wire:
        loop = asyncio.get_running_loop()
        addresses = await self._addresses()
        failure = LinkFailed(f"{self._place} has no address", "check the name", LinkReason.MISSING)
        for address in addresses:
            try:
                async with asyncio.timeout(self._connect_limit_s / len(addresses)):
                    _, wire = await loop.create_connection(self._new_wire, address, self._port)
            except OSError as error:  # TimeoutError is one
                failure = self._failure(error)
                continue
            if not _is_connected_to_itself(wire.transport):
                return wire
            wire.transport.abort()
            failure = self._failure(ConnectionRefusedError())
        raise failure

    def _new_wire(self) -> _Wire:
        return _Wire(self._clock, self._place)

    async def _addresses(self) -> tuple[str, ...]:
        """One family after the other, as the system prefers them; a name is looked up where it cannot hold us up."""
        with contextlib.suppress(ValueError):
            ipaddress.ip_address(self._host.partition("%")[0])
            return (self._host,)

        def look_up() -> tuple[str, ...]:
            found = socket.getaddrinfo(self._host, self._port, type=socket.SOCK_STREAM)
            return tuple(dict.fromkeys(str(address[0]) for *_, address in found))

        try:
            return (await in_daemon_thread(look_up, self._connect_limit_s, "name look-up"))[:ADDRESSES_AT_MOST]
        except (socket.gaierror, UnicodeError) as error:
            raise LinkFailed(
                f"The name {harmless(self._host)} is not known to the network",
                "check the spelling, or give the meter's address in numbers",
                LinkReason.MISSING,
            ) from error

    def _failure(self, error: OSError) -> LinkFailed:
        if isinstance(error, TimeoutError):
            remedy = "check the address, and that meter and network are switched on"
            failure = LinkFailed(f"{self._place} does not answer", remedy, LinkReason.SILENT)
        elif isinstance(error, ConnectionRefusedError):
            remedy = "check the port number, and that nobody else is connected to the meter"
            failure = LinkFailed(f"{self._place} takes no connection", remedy, LinkReason.REFUSED)
        elif error.errno in _UNREACHABLE:
            remedy = "check the address, and that this machine is on the meter's network"
            failure = LinkFailed(f"There is no way to {self._place}", remedy, LinkReason.MISSING)
        elif error.errno in {errno.EACCES, errno.EPERM}:
            remedy = "allow this program to use the network (firewall)"
            failure = LinkFailed(f"The system forbids connecting to {self._place}", remedy, LinkReason.FORBIDDEN)
        else:
            said = harmless(error.strerror or str(error) or type(error).__name__)
            failure = LinkFailed(f"Connecting to {self._place} failed ({said})", "try again", LinkReason.BROKEN)
        failure.__cause__ = error
        return failure


def _is_connected_to_itself(transport: asyncio.Transport) -> bool:
    """Trying a free port of this machine again and again ends, by chance, in a connection from that port to itself.

    It would echo our own commands, and keep the port from the meter that is to come back to it.
    """
    return bool(transport.get_extra_info("sockname") == transport.get_extra_info("peername"))


def _tune(transport: asyncio.Transport) -> None:
    """A command goes out at once, and a far end that vanished is noticed. None of it is worth failing for."""
    connection: socket.socket = transport.get_extra_info("socket")
    settings = [
        (socket.IPPROTO_TCP, "TCP_NODELAY", 1),
        (socket.SOL_SOCKET, "SO_KEEPALIVE", 1),
        (socket.IPPROTO_TCP, "TCP_KEEPIDLE", KEEPALIVE_IDLE_S),
        (socket.IPPROTO_TCP, "TCP_KEEPINTVL", KEEPALIVE_EVERY_S),
        (socket.IPPROTO_TCP, "TCP_KEEPCNT", KEEPALIVE_PROBES),
    ]
    for level, name, value in settings:
        with contextlib.suppress(OSError, AttributeError):  # not every system has every one
            connection.setsockopt(level, getattr(socket, name), value)
