"""The serial link: pyserial, in one thread that alone touches the port. 8N1, no flow control; only the baud is chosen.

Opening, reading, writing and closing a port may each block or hang, and a port closed by one thread while another
reads it fails in ways that differ by system. So one thread does all four, and the loop only talks to that thread.
Output is never flushed: some drivers never come back from it.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections import deque

import serial

from drivers.links.base import CLOSE_LIMIT_S, Chunk
from drivers.links.serial_place import SerialPlace
from drivers.links.serial_trouble import open_failure
from drivers.links.threads import Inbox, tell
from logger.clock import NS_PER_S, Clock
from logger.errors import InstrumentFailed, LinkFailed, LinkLost, LinkReason
from logger.text import harmless

OPEN_LIMIT_S = 5.0
"""Longest wait for a port to open, seconds: a Bluetooth serial port takes some to reach its device."""

READ_TIMEOUT_S = 0.05
"""How long one read waits for a first byte, seconds. A command waits at most this long to be written, and a closed
link this long to be let go; twenty turns a second cost too little to measure."""

READ_AT_MOST_BYTES = 4096
"""Most bytes taken in one chunk: what a system's serial buffer holds."""

WRITE_TIMEOUT_S = 0.5
"""How long one write waits for room, seconds. A frame takes 21 ms at 115200 baud; nothing is read meanwhile."""

SEND_LIMIT_S = 2.0
"""Longest wait for the thread to have written, seconds: a read, a queued write and its own, with room to spare."""


class SerialLink:
    """A serial port, opened for this program alone.

    Args:
        place: where the port is; one for all connections to the same meter.
        baud: bits a second.
        clock: stamps the chunks; its `mono_ns` is read in the port's thread.
    """

    can_send = True

    def __init__(self, place: SerialPlace, baud: int, clock: Clock) -> None:
        self._place = place
        self._path = harmless(place.path)
        self._baud = baud
        self._clock = clock
        self._stop = threading.Event()
        self._outbox: deque[tuple[bytes, asyncio.Future[None]]] = deque()
        self._loop: asyncio.AbstractEventLoop | None = None

    async def open(self) -> None:
        """Open the port in its thread. Raises LinkFailed (missing, busy, forbidden, silent, broken)."""
        self._loop = asyncio.get_running_loop()
        self._inbox = Inbox(self._loop)
        self._gone = asyncio.Event()
        opened: asyncio.Future[None] = self._loop.create_future()
        try:
            threading.Thread(target=self._live, args=(opened,), name=f"port {self._path}", daemon=True).start()
        except RuntimeError as error:
            self._gone.set()
            raise LinkFailed("No thread could be started", "close other programs", LinkReason.UNAVAILABLE) from error
        try:
            async with asyncio.timeout(OPEN_LIMIT_S):
                await opened
        except TimeoutError as error:
            self._stop.set()
            raise LinkFailed(
                f"The serial port {self._path} does not open within {OPEN_LIMIT_S:.0f} s",
                "unplug the meter, plug it in again and switch it on",
                LinkReason.SILENT,
            ) from error

    async def receive(self) -> Chunk:
        """The next chunk. Raises LinkLost at most 0.1 s after a hang-up."""
        return await self._inbox.take()

    async def send(self, data: bytes) -> None:
        """Have the thread write `data`. Raises LinkLost if it did not, or not all of it."""
        if self._loop is None or self._stop.is_set() or self._inbox.ended:
            raise LinkLost(f"The serial port {self._path} is closed")
        written: asyncio.Future[None] = self._loop.create_future()
        self._outbox.append((data, written))
        try:
            async with asyncio.timeout(SEND_LIMIT_S):
                await written
        except TimeoutError as error:
            raise LinkLost(f"The serial port {self._path} takes no bytes") from error

    async def close(self) -> None:
        """Tell the thread to write what is queued and let go; leave it behind if it hangs."""
        self._stop.set()
        if self._loop is None:
            return
        self._inbox.end(LinkLost(f"The serial port {self._path} is closed"))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_LIMIT_S):
                await self._gone.wait()

    # --- in the port's thread -------------------------------------------------------------------------------------

    def _live(self, opened: asyncio.Future[None]) -> None:
        """The thread's whole life. Whatever goes wrong in it is told to the loop, once, and ends it."""
        assert self._loop is not None
        try:
            port = self._open_port()
        except LinkFailed as failure:
            tell(self._loop, _fail, opened, failure)
        else:
            tell(self._loop, _succeed, opened)
            self._tend(port)
        tell(self._loop, self._gone.set)

    def _open_port(self) -> serial.Serial:
        try:
            port = self._port(self._place.path)
        except Exception as error:  # pyserial lets OSError, ValueError, termios.error and TypeError out
            failure = open_failure(self._place, self._baud, error)
            elsewhere = self._place.elsewhere() if failure.reason is LinkReason.MISSING else None
            if elsewhere is None:
                raise failure from error
            try:
                return self._port(elsewhere)
            except Exception as second:
                raise failure from second
        self._place.opened()
        return port

    def _port(self, path: str) -> serial.Serial:
        # Exclusive is an advisory lock that dies with the process. TIOCEXCL would keep ruder programs out too, but
        # outlives a killed recorder on a line whose far end stays open, and then keeps the next recorder out.
        return serial.Serial(path, self._baud, timeout=READ_TIMEOUT_S, write_timeout=WRITE_TIMEOUT_S, exclusive=True)

    def _tend(self, port: serial.Serial) -> None:
        end = LinkLost(f"The serial port {self._path} is closed")
        try:
            while not self._stop.is_set():
                self._write_queued(port)
                self._read_some(port)
            self._write_queued(port)
        except Exception as error:  # a hang-up is OSError, TypeError or termios.error, by system and by moment
            end = LinkLost(f"The serial port {self._path} was unplugged or hung up")
            end.__cause__ = error
        finally:
            if self._loop is not None:
                tell(self._loop, self._finish, end)
            with contextlib.suppress(Exception):  # a port that is gone may refuse even this; nothing is left to do
                port.close()

    def _read_some(self, port: serial.Serial) -> None:
        before_ns = self._clock.mono_ns()
        data: bytes = port.read(1)
        if not data:
            if self._clock.mono_ns() - before_ns < READ_TIMEOUT_S * NS_PER_S / 2:
                self._stop.wait(READ_TIMEOUT_S)  # a dead port may come back empty at once: never spin on it
            return
        try:
            waiting = port.in_waiting
            if waiting:
                data += port.read(min(waiting, READ_AT_MOST_BYTES))
        finally:
            if not self._inbox.put(Chunk(data, self._clock.mono_ns()), self._stop):
                self._stop.set()  # nobody is left to take it

    def _write_queued(self, port: serial.Serial) -> None:
        assert self._loop is not None
        while self._outbox:
            data, written = self._outbox.popleft()
            try:
                port.write(data)
            except serial.SerialTimeoutException as error:
                stalled = LinkLost(f"The serial port {self._path} takes no bytes")
                stalled.__cause__ = error
                tell(self._loop, _fail, written, stalled)
            except Exception as error:
                broken = LinkLost(f"The serial port {self._path} was unplugged or hung up")
                broken.__cause__ = error
                tell(self._loop, _fail, written, broken)
                raise
            else:
                tell(self._loop, _succeed, written)

    def _finish(self, end: LinkLost) -> None:
        """On the loop, from the thread's end: nobody waits any longer for what will not happen."""
        self._inbox.end(end)
        while self._outbox:
            _, written = self._outbox.popleft()
            _fail(written, end)


def _succeed(future: asyncio.Future[None]) -> None:
    if not future.done():
        future.set_result(None)


def _fail(future: asyncio.Future[None], error: InstrumentFailed) -> None:
    if not future.done():
        future.set_exception(error)
