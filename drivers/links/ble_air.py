"""The one thread and event loop on which everything Bluetooth happens, for as long as the program runs.

bleak is made for one loop: on Linux each further one reads all of the system's Bluetooth anew and keeps a connection
to it, and a scan on one loop gets in the way of a connection on another. On Windows callbacks never come in a thread
that draws windows. So lines, commands and screens, whatever loop or thread they are on, come here.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import logging
import threading
from collections import deque
from collections.abc import Callable, Coroutine
from typing import Any, Final, TypeVar

from drivers.links.ble_permission import make_sure
from drivers.links.ble_radio import Radio, Stack
from drivers.links.ble_trouble import hung
from logger.errors import LinkLost

CLOSE_LIMIT_S: Final = 3.0
"""Longest that ending the thread may take, seconds; it is a daemon, so that a stuck one holds nothing up."""

FAULTS_KEPT: Final = 16
"""How many errors that nobody waited for are kept in mind, a count: enough to see what repeats."""

T = TypeVar("T")


class Air:
    """A thread with a loop, and the adapter on it. Methods may be called from any thread.

    Attributes:
        faults: the newest errors that nobody waited for, in words; empty while all is well.
    """

    def __init__(self, stack: Stack | None = None) -> None:
        """Start the thread.

        Args:
            stack: another implementation of bleak than the system's own.
        """
        for name in ("bleak", "dbus_fast"):  # what they log would else be written across the screen
            logging.getLogger(name).addHandler(logging.NullHandler())
        self.faults: deque[str] = deque(maxlen=FAULTS_KEPT)
        self._stack = stack or Stack()
        self._radio: Radio | None = None
        self._loop = asyncio.new_event_loop()
        self._loop.set_exception_handler(self._fault)
        self._thread = threading.Thread(target=self._live, name="bluetooth", daemon=True)
        self._thread.start()

    async def do(self, work: Callable[[Radio], Coroutine[Any, Any, T]]) -> T:
        """The result of `work`, done on the Bluetooth loop for whoever waits on another; cancelled with the wait.

        Raises:
            LinkFailed: if the system does not let this program use Bluetooth; what `work` raises.
            LinkLost: if it was cancelled over there, and not by whoever waits here.
        """
        try:
            return await asyncio.wrap_future(self._start(work))
        except asyncio.CancelledError as error:
            waiting = asyncio.current_task()
            if waiting is None or waiting.cancelling():
                raise
            raise LinkLost("Bluetooth dropped what was under way") from error

    def call(self, work: Callable[[Radio], Coroutine[Any, Any, T]], limit_s: float) -> T:
        """Like `do`, for a plain thread, which it blocks for at most `limit_s` seconds.

        Raises:
            LinkFailed: also if it takes longer.
            LinkLost: if Bluetooth is shut down meanwhile.
        """
        started = self._start(work)
        try:
            return started.result(limit_s)
        except concurrent.futures.TimeoutError as error:
            started.cancel()
            raise hung() from error
        except concurrent.futures.CancelledError as error:
            raise LinkLost("Bluetooth was shut down") from error

    def close(self) -> None:
        """End the thread, and whatever is still done on it. Harmless when it has ended."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(CLOSE_LIMIT_S)

    def _start(self, work: Callable[[Radio], Coroutine[Any, Any, T]]) -> concurrent.futures.Future[T]:
        doing = self._do(work)
        try:
            return asyncio.run_coroutine_threadsafe(doing, self._loop)
        except RuntimeError as error:
            doing.close()
            raise LinkLost("Bluetooth was shut down") from error

    async def _do(self, work: Callable[[Radio], Coroutine[Any, Any, T]]) -> T:
        await make_sure()
        if self._radio is None:
            self._radio = Radio(self._stack)
        return await work(self._radio)

    def _live(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_forever()
            left = asyncio.all_tasks(self._loop)
            for task in left:
                task.cancel()
            self._loop.run_until_complete(asyncio.wait_for(_ended(left), CLOSE_LIMIT_S / 2))
        except TimeoutError:
            self.faults.append(f"{len(asyncio.all_tasks(self._loop))} tasks did not end")
        finally:
            self._loop.close()

    def _fault(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        self.faults.append(f"{context.get('message')} {context.get('exception')!r} {context.get('handle') or ''}")


async def _ended(tasks: set[asyncio.Task[Any]]) -> None:
    await asyncio.gather(*tasks, return_exceptions=True)


class _Shared:
    """The one that all share, made when it is first asked for."""

    lock = threading.Lock()
    air: Air | None = None


def shared_air() -> Air:
    """The program's own; started at the first call."""
    with _Shared.lock:
        if _Shared.air is None:
            _Shared.air = Air()
        return _Shared.air


def close_shared_air() -> None:
    """End the program's own, if it was started; the next call of `shared_air` starts another."""
    with _Shared.lock:
        air, _Shared.air = _Shared.air, None
    if air is not None:
        air.close()
