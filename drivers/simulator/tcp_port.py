"""The TCP side of a served meter: one host at a time, on the loopback address only."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Callable
from typing import Final

from logger.errors import LinkFailed, LinkReason

HOST: Final = "127.0.0.1"

UNSENT_BYTES_AT_MOST: Final = 1024 * 1024
"""What waits for a host that does not read, bytes: the meter's whole memory would be three times that. More is lost."""

CLOSE_WITHIN_S: Final = 1.0
"""How long closing may take, seconds."""

_WHY: Final = {
    errno.EADDRINUSE: (LinkReason.BUSY, "is taken by another program", "choose another port, or 0 for a free one"),
    errno.EACCES: (
        LinkReason.FORBIDDEN,
        "is forbidden by this system",
        "choose a port above 1023, or 0 for a free one",
    ),
}


class TcpPort:
    """See `serve.Port`. `hear` gets what the host sends."""

    def __init__(self, hear: Callable[[bytes], None]) -> None:
        self._hear = hear
        self._away = False
        self._host: asyncio.Transport | None = None
        self._server: asyncio.Server | None = None

    async def open(self, port: int) -> int:
        """Listen; yields the port.

        Raises:
            LinkFailed: if it is taken or forbidden.
        """
        try:
            self._server = await asyncio.get_running_loop().create_server(lambda: _Host(self), HOST, port)
        except (OSError, OverflowError) as refused:
            code = refused.errno if isinstance(refused, OSError) else None
            reason, what, remedy = _WHY.get(
                code or 0, (LinkReason.BROKEN, f"cannot be used ({refused})", "try another")
            )
            raise LinkFailed(f"The port {HOST}:{port} {what}", remedy, reason) from refused
        taken: int = self._server.sockets[0].getsockname()[1]
        return taken

    def write(self, data: bytes) -> None:
        """Send; lost where there is no host, or it does not read."""
        if self._host is not None and self._host.get_write_buffer_size() + len(data) <= UNSENT_BYTES_AT_MOST:
            self._host.write(data)

    def hang_up(self) -> None:
        """Drop the host, and hang up at once on whoever calls."""
        self._away = True
        if self._host is not None:
            self._host.abort()

    def pick_up(self) -> None:
        """Let a host in again."""
        self._away = False

    async def close(self) -> None:
        """Drop the host and stop listening; returns within a second."""
        self.hang_up()
        if self._server is not None:
            self._server.close()
            async with asyncio.timeout(CLOSE_WITHIN_S):
                await self._server.wait_closed()

    def came(self, transport: asyncio.Transport) -> None:
        """Somebody called."""
        if self._away or self._host is not None:
            transport.abort()
        else:
            self._host = transport

    def said(self, transport: asyncio.Transport | None, data: bytes) -> None:
        """Somebody sent something."""
        if transport is self._host:
            self._hear(data)

    def went(self, transport: asyncio.Transport | None) -> None:
        """Somebody is gone."""
        if transport is self._host:
            self._host = None


class _Host(asyncio.Protocol):
    """One connection, handed on to its port."""

    def __init__(self, port: TcpPort) -> None:
        self._port = port
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._port.came(transport)

    def data_received(self, data: bytes) -> None:
        self._port.said(self._transport, data)

    def connection_lost(self, _error: Exception | None) -> None:
        self._port.went(self._transport)
