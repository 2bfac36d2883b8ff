"""A served meter on a thread of its own, for programs that have something else to do: the demo, the command line."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Coroutine
from contextlib import AbstractAsyncContextManager
from types import TracebackType
from typing import Any, Final, Literal

from drivers.simulator.ble import serve_ble
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.serve import Served, serve_pty, serve_tcp
from logger.clock import Clock, SystemClock
from logger.errors import InstrumentFailed, ZerofirstError

START_WITHIN_S: Final = 5.0
"""How long the line may take to stand, seconds: on any machine it takes milliseconds."""

ANSWER_WITHIN_S: Final = 5.0
"""How long a command may take, seconds: the longest, on a large site, takes a few milliseconds."""

STOP_WITHIN_S: Final = 3.0
"""How long stopping may take, seconds; the thread is a daemon, so that even a stuck one does not hold up the end."""

Carrier = Literal["pty", "tcp", "ble"]


class SimulatorThread:
    """Serves a meter from the moment it is made until `stop`. Its methods may be called from any thread.

    Attributes:
        url: what to open it by: `serial:PATH`, `tcp:127.0.0.1:PORT` or `ble:ADDRESS`.
    """

    def __init__(
        self, meter: SimulatedMeter, carrier: Carrier = "pty", port: int = 0, clock: Clock | None = None
    ) -> None:
        """Start serving; the meter belongs to the thread from now on.

        Args:
            carrier: a pseudo-terminal, TCP on `port` (0: a free one), or Bluetooth LE.
            clock: must be one that may be read from another thread.

        Raises:
            LinkFailed: if the port is taken, or there are no pseudo-terminals, or no Bluetooth.
        """
        self._clock = clock or SystemClock()
        self._serving = _served(meter, carrier, port, self._clock)
        self._stands = threading.Event()
        self._failure: BaseException | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread = threading.Thread(target=self._run, name="simulator", daemon=True)
        self._thread.start()
        if not self._stands.wait(START_WITHIN_S):
            raise InstrumentFailed("The simulated meter did not come up", "try again")
        if self._failure is not None:
            raise self._failure
        self.url = self._served.url

    def __enter__(self) -> SimulatorThread:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def alive(self) -> bool:
        """Whether it serves."""
        return self._thread.is_alive()

    def command(self, text: str) -> str:
        """Do what the operator's hands are told; yields what a person is told, a complaint included.

        Raises:
            InstrumentFailed: if the simulator has stopped.
        """
        return self._call(self._command(text))

    def perform(self, text: str) -> str:
        """Like `command`.

        Raises:
            InputWrong: if there is no such word, or it cannot be done.
            InstrumentFailed: if the simulator has stopped.
        """
        return self._call(self._perform(text))

    def stop(self) -> None:
        """Take the line away and end the thread; returns within three seconds. Harmless when it has ended already."""
        if self._loop is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._end.set)
            self._thread.join(STOP_WITHIN_S)

    def _call(self, what: Coroutine[Any, Any, str]) -> str:
        if self._loop is None or not self._thread.is_alive():
            what.close()
            raise InstrumentFailed("The simulated meter has stopped", "start it again")
        try:
            return asyncio.run_coroutine_threadsafe(what, self._loop).result(ANSWER_WITHIN_S)
        except TimeoutError as late:
            raise InstrumentFailed("The simulated meter does not answer", "start it again") from late

    async def _command(self, text: str) -> str:
        return self._served.command(text)

    async def _perform(self, text: str) -> str:
        return self._served.perform(text)

    def _run(self) -> None:
        try:
            asyncio.run(self._main())
        except ZerofirstError as failure:
            self._failure = failure
        except OSError as failure:
            self._failure = InstrumentFailed(f"The simulated meter stopped ({failure})", "start it again")
            self._failure.__cause__ = failure
        finally:
            self._stands.set()

    async def _main(self) -> None:
        self._end = asyncio.Event()
        async with self._serving as self._served:
            self._loop = asyncio.get_running_loop()
            self._stands.set()
            ends = {asyncio.ensure_future(self._end.wait()), *([self._served.task] if self._served.task else [])}
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)


def _served(meter: SimulatedMeter, carrier: Carrier, port: int, clock: Clock) -> AbstractAsyncContextManager[Served]:
    if carrier == "ble":
        return serve_ble(meter, clock)
    return serve_pty(meter, clock) if carrier == "pty" else serve_tcp(meter, port, clock)
