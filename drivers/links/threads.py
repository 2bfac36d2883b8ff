"""The one place where foreign threads meet the event loop: a bounded inbox, and work that may hang.

Threads here are daemons: what hangs in an operating system's call is left behind, and never holds up the exit.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any, TypeVar

from drivers.links.arrivals import Arrivals
from drivers.links.base import Chunk
from logger.errors import InstrumentFailed

INBOX_CHUNKS = 1024
"""Most chunks on their way from a reader thread to the loop, a count: a second of a fast meter in the smallest
chunks that a serial driver gives. Beyond it the thread stops reading and the operating system keeps the bytes."""

FULL_PAUSE_S = 0.1
"""How long a thread waits for room in a full inbox before it looks whether it should stop, seconds."""

T = TypeVar("T")


def tell(loop: asyncio.AbstractEventLoop, callback: Callable[..., object], *args: Any) -> bool:
    """Run `callback(*args)` on `loop` from another thread. False if the loop has been closed meanwhile."""
    try:
        loop.call_soon_threadsafe(callback, *args)
    except RuntimeError:
        return False
    return True


async def in_daemon_thread(work: Callable[[], T], limit_s: float, name: str) -> T:
    """The result of `work`, done in a thread of its own that is left behind if it takes too long.

    Args:
        work: may block; raises what it likes, which is raised here.
        limit_s: longest wait in seconds.
        name: of the thread.

    Raises:
        TimeoutError: if `work` did not end within `limit_s`.
    """
    loop = asyncio.get_running_loop()
    outcome: asyncio.Future[T] = loop.create_future()

    def run() -> None:
        try:
            result = work()
        except BaseException as error:  # handed to whoever waits: a thread has nobody else to tell
            tell(loop, _settle, outcome, None, error)
        else:
            tell(loop, _settle, outcome, result, None)

    threading.Thread(target=run, name=name, daemon=True).start()
    async with asyncio.timeout(limit_s):
        return await outcome


def _settle(future: asyncio.Future[Any], result: object, error: BaseException | None) -> None:
    if future.done():
        return
    if error is None:
        future.set_result(result)
    else:
        future.set_exception(error)


class Inbox:
    """Chunks on their way from one thread to one loop: in order, none lost, at most `chunks` at a time."""

    def __init__(self, loop: asyncio.AbstractEventLoop, chunks: int = INBOX_CHUNKS) -> None:
        self._loop = loop
        self._room = threading.Semaphore(chunks)
        self._arrivals = Arrivals()

    def put(self, chunk: Chunk, stop: threading.Event) -> bool:
        """From the thread: hand `chunk` over, waiting for room. False if it was told to stop, or the loop is gone."""
        while not self._room.acquire(timeout=FULL_PAUSE_S):
            if stop.is_set():
                return False
        return tell(self._loop, self._arrivals.add, chunk)

    def offer(self, chunk: Chunk) -> bool:
        """From the thread: hand `chunk` over if there is room, without waiting. False if there is none, or the loop is
        gone."""
        return self._room.acquire(blocking=False) and tell(self._loop, self._arrivals.add, chunk)

    def end(self, failure: InstrumentFailed) -> None:
        """On the loop: no more chunks will come; `take` raises `failure` once those that came are taken."""
        self._arrivals.end(failure)

    @property
    def ended(self) -> InstrumentFailed | None:
        """On the loop: why no more will come, or None while more may."""
        return self._arrivals.ended

    async def take(self) -> Chunk:
        """On the loop: the next chunk. Cancelling loses nothing. Raises what `end` was given."""
        chunk = await self._arrivals.take()
        self._room.release()
        return chunk
