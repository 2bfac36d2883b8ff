"""The Bluetooth LE link: what a line sees of a connection that lives on the Bluetooth loop.

Bytes that are notified cannot be held back as on a wire. If the line ever stops taking them, the connection is broken
rather than a byte dropped in silence: what the meter sent meanwhile is in its memory, and asked for.
"""

from __future__ import annotations

import asyncio
import contextlib
from functools import partial
from typing import Final

from drivers.links.base import CLOSE_LIMIT_S, Chunk
from drivers.links.ble_air import Air, shared_air
from drivers.links.ble_connection import Connection, Place
from drivers.links.ble_radio import Radio
from drivers.links.ble_service import as_address, differences
from drivers.links.threads import Inbox, tell
from logger.clock import Clock
from logger.errors import InstrumentFailed, LinkLost
from logger.reading import Identity

PACKETS_AT_MOST: Final = 8192
"""Most notifications on their way to the line, a count: several seconds of the fastest link there is, in the smallest
packets. Beyond it the line is taken to have stopped."""


class BleLinks:
    """Makes the links to one Bluetooth meter; what is known of it is kept between them.

    Args:
        target: its address or name.
        clock: stamps what arrives; its `mono_ns` is read on the Bluetooth thread.
        air: where Bluetooth happens; None is the program's own, started when the first link is opened.
    """

    def __init__(self, target: str, clock: Clock, air: Air | None = None) -> None:
        self._place = Place(as_address(target) or target)
        self._clock = clock
        self._air = air

    def __call__(self) -> BleLink:
        """A fresh link, not open yet."""
        return BleLink(self._place, self._clock, self._air)

    @property
    def address(self) -> str | None:
        """Where the meter was found last; None if it was not yet."""
        return self._place.address

    @property
    def late_calls(self) -> int:
        """How many callbacks of connections that were over have been dropped, a count."""
        return self._place.late_calls

    def doubts(self, identity: Identity) -> str:
        """In one sentence, where the meter's standard services contradict what it says itself; empty if nowhere."""
        apart = differences(self._place.says, identity)
        return f"The Bluetooth meter {self._place.shown} describes itself in two ways: {apart}" if apart else ""


class BleLink:
    """One connection to a Bluetooth meter; see `BleLinks`."""

    can_send = True

    def __init__(self, place: Place, clock: Clock, air: Air | None) -> None:
        self._place = place
        self._clock = clock
        self._air = air
        self._inbox: Inbox | None = None
        self._connection: Connection | None = None

    async def open(self) -> None:
        """Find the meter, connect and subscribe. Raises LinkFailed."""
        self._air = self._air or shared_air()
        loop = asyncio.get_running_loop()
        self._inbox = inbox = Inbox(loop, PACKETS_AT_MOST)
        await self._air.do(partial(self._open, inbox, loop))

    async def receive(self) -> Chunk:
        """The next notification. Raises LinkLost as soon as the system tells that the meter is gone."""
        if self._inbox is None:
            raise self._closed()
        return await self._inbox.take()

    async def send(self, data: bytes) -> None:
        """Have `data` written and answered. Raises LinkLost if it was not."""
        connection = self._connection
        if self._air is None or self._inbox is None or self._inbox.ended or connection is None:
            raise self._closed()
        await self._air.do(lambda _radio: connection.write(data))

    async def close(self) -> None:
        """Let go; what takes longer goes on by itself, and the next link to this meter waits for it."""
        if self._air is None or self._inbox is None:
            return
        self._inbox.end(self._closed())
        with contextlib.suppress(TimeoutError, InstrumentFailed):
            async with asyncio.timeout(CLOSE_LIMIT_S):
                await self._air.do(self._leave)

    async def _open(self, inbox: Inbox, loop: asyncio.AbstractEventLoop, radio: Radio) -> None:
        self._connection = Connection(
            radio, self._place, self._clock, inbox.offer, lambda why: tell(loop, inbox.end, why)
        )
        await self._connection.open()

    async def _leave(self, _radio: Radio) -> None:
        if self._connection is not None:
            await self._connection.leave()

    def _closed(self) -> LinkLost:
        return LinkLost(f"The connection to the Bluetooth meter {self._place.shown} is closed")
