"""Patience with calls that may never come back: a deadline for each, and what is left behind afterwards.

A system's Bluetooth can hang in any call, and some of its calls do not even notice that they are cancelled. Such a
call is left behind; a few of them do no harm, and many mean that nothing works any more.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, Final, TypeVar

from bleak.exc import BleakError

GRACE_S: Final = 1.0
"""How long a cancelled call may take to clear up behind itself, seconds: it tells the radio to let go."""

LEFT_BEHIND_AT_MOST: Final = 8
"""How many calls may hang at a time, a count: beyond it the system's Bluetooth is taken to be dead."""

T = TypeVar("T")


class Patience:
    """Deadlines for calls on one event loop.

    Attributes:
        faults: how many calls that nobody waited for any more ended in an error.
    """

    def __init__(self) -> None:
        self._left_behind: set[asyncio.Task[Any]] = set()
        self.faults = 0

    @property
    def is_at_an_end(self) -> bool:
        """So many calls hang that no more should be made."""
        return len(self._left_behind) >= LEFT_BEHIND_AT_MOST

    async def within(self, limit_s: float, work: Coroutine[Any, Any, T]) -> T:
        """The result of `work`, waited for no longer than `limit_s` seconds, and `GRACE_S` more while it is cancelled.

        Raises:
            TimeoutError: if it did not come in time.
            BleakError: if whoever was called dropped the call, as some do when a connection breaks under it: they
                cancel it, and that must not pass for our own wish to end.
            Exception: what `work` raises, if it does.
        """
        task = asyncio.ensure_future(work)
        try:
            await asyncio.wait({task}, timeout=limit_s)
        except asyncio.CancelledError:
            await self._stop(task)
            raise
        if not task.done():
            await self._stop(task)
            raise TimeoutError
        if task.cancelled():
            raise BleakError("the call was dropped")
        return task.result()

    async def _stop(self, task: asyncio.Task[Any]) -> None:
        """Cancel a call, give it its grace, and leave it behind if it hangs on."""
        self._left_behind.add(task)
        task.add_done_callback(self._came_back)
        task.cancel()
        await asyncio.wait({task}, timeout=GRACE_S)

    def _came_back(self, task: asyncio.Task[Any]) -> None:
        self._left_behind.discard(task)
        if not task.cancelled() and task.exception() is not None:
            self.faults += 1
