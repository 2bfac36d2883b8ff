"""The event loop on which every line runs, in a thread of its own: a stalled screen delays no byte.

What comes goes through `put` to whoever records; what a line needs (driver, link, back-off) is put together here.
"""

from __future__ import annotations

import asyncio
import random
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from drivers.address import Address
from drivers.line import run_line
from drivers.links.open import links_for
from drivers.roll import Roll
from logger.clock import Clock
from logger.errors import InstrumentFailed, LinkFailed, ZerofirstError
from logger.happening import Happening, Identified, Ready

STOP_WITHIN_S: Final = 5.0
"""How long the lines may take to halt their meters and close, seconds."""

TRY_AGAIN_S: Final = 1.0
"""Pause before a meter that was not reached in its first fifteen seconds is tried for another fifteen, seconds."""


@dataclass(frozen=True, slots=True)
class LineFailed:
    """A line that cannot be had, and why."""

    line: str
    error: ZerofirstError


class Lines:
    """The event loop on which every line runs, in a thread of its own."""

    def __init__(
        self, addresses: Sequence[Address], put: Callable[[Any], None], clock: Clock, *, keep_trying: bool
    ) -> None:
        """Nothing runs before `start`.

        Args:
            put: takes happenings, and `LineFailed` where a line cannot be had.
            keep_trying: a meter that was not reached is told as failed, and tried again until the end.
        """
        self._addresses = addresses
        self._put = put
        self._clock = clock
        self._keep_trying = keep_trying
        self._roll = Roll(lambda text: put({"do": "note", "text": text}))
        self._roll.expect(addresses)
        self._stop: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._running = threading.Event()
        self._thread = threading.Thread(target=self._run, name="lines", daemon=True)

    def start(self, drivers: Mapping[str, Any], resume: Callable[[str, str], int | None]) -> None:
        """Begin every line that has a driver."""
        self._drivers = drivers
        self._resume = resume
        if drivers:
            self._thread.start()
            self._running.wait()

    def stop(self) -> None:
        """Ask every line to halt its meter and close; wait a bounded time."""
        if self._loop is not None and self._stop is not None:
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(STOP_WITHIN_S)

    def _run(self) -> None:
        asyncio.run(self._main())

    async def _main(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        self._running.set()
        lines = [a for a in self._addresses if a.url in self._drivers]
        await asyncio.gather(*(self._one(address, self._stop) for address in lines))

    async def _one(self, address: Address, stop: asyncio.Event) -> None:
        conversation = self._drivers[address.url].converse(address.url, address.rate, self._resume)
        make_link, jitter = links_for(address, self._clock), random.Random()
        emit = self._roll.listen(address.url, self._put, make_link)
        reached = _Reached()

        def not_yet(failure: InstrumentFailed) -> None:
            """On a screen it is told why a meter does not come, at once, while it is tried for its fifteen seconds."""
            if self._keep_trying and not reached.ever:
                self._put(LineFailed(address.url, failure))

        while not stop.is_set():
            try:
                await run_line(
                    conversation,
                    make_link,
                    self._clock,
                    emit,
                    stop,
                    jitter,
                    line=address.url,
                    reached=reached,
                    on_failure=not_yet,
                )
            except LinkFailed as error:
                self._put(LineFailed(address.url, error))
                if self._keep_trying:
                    await self._clock.sleep(TRY_AGAIN_S)
                    continue
            except ZerofirstError as error:
                self._put(LineFailed(address.url, error))
            except Exception as error:  # a plug-in's fault must end its line, not every other
                failed = InstrumentFailed(f"The driver of {address.url} failed ({type(error).__name__}: {error})")
                failed.__cause__ = error
                self._put(LineFailed(address.url, failed))
            return


class _Reached:
    """Whether somebody is there: a meter that only talks says who it is long before its functions are given up on.

    Attributes:
        ever: somebody was, since the session began.
    """

    def __init__(self) -> None:
        self.ever = False

    def __call__(self, happening: Happening) -> bool:
        """Whether this happening shows it."""
        is_somebody = isinstance(happening, Identified | Ready)
        self.ever = self.ever or is_somebody
        return is_somebody
