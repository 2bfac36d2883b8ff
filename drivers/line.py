"""The line runner: keeps one conversation supplied with a link, bytes and time, for as long as it is wanted.

Here lives when to connect, to wait, to send, to tick and to give up. What the bytes mean is the conversation's
concern, how they travel the link's. Time comes from the clock alone, so a test moves it by hand.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from drivers.api import Conversation, TellsAtTheEnd
from drivers.backoff import Backoff
from drivers.links.base import Chunk, Link
from logger.clock import NS_PER_S, Clock
from logger.errors import InstrumentFailed, LinkEnded, LinkFailed, LinkLost, LinkReason, ZerofirstError
from logger.happening import Ended, Happening, Ready
from logger.text import harmless

FIRST_TRY_S = 15.0
"""How long a meter that was never reached is tried, seconds (interface, section 2)."""

DUE_AGAIN_NS = 10_000_000
"""Least time between two ticks when a driver's deadline does not move on, nanoseconds: it must not spin the loop."""

LAST_CHUNKS = 1024
"""Most chunks taken after the stop, a count: those that had arrived before it. A meter that streams on gets no more."""


def is_ready(happening: Happening) -> bool:
    """Whether the meter said who it is and the stream may start."""
    return isinstance(happening, Ready)


async def run_line(
    conversation: Conversation,
    make_link: Callable[[], Link],
    clock: Clock,
    emit: Callable[[Sequence[Happening]], None],
    stop: asyncio.Event,
    jitter: random.Random,
    *,
    line: str,
    reached: Callable[[Happening], bool] = is_ready,
    first_try_s: float = FIRST_TRY_S,
    on_failure: Callable[[InstrumentFailed], None] | None = None,
) -> None:
    """Run until `stop` is set or the far end is finished; then halt the meter and let go of the link.

    A link that fails or breaks is replaced by a new one after a pause, for ever once the meter was reached. Nothing
    that arrived before the stop is dropped. Leaves no task behind, also when cancelled.

    Args:
        conversation: given bytes, times and ticks; asked what to send.
        make_link: a fresh link for each connection.
        emit: takes what happened, in order; what it raises ends the run.
        jitter: where pauses take their jitter from.
        line: the key of the line, the URL as the operator gave it; also used in sentences.
        reached: whether a happening shows that the meter is there; ends the first try.
        first_try_s: how long to try until then, seconds.
        on_failure: told of every connection that failed or broke, before it is tried again.

    Raises:
        InstrumentFailed: if the meter was not reached in `first_try_s`, or at once if access to it is forbidden, or
            if the driver breaks down. A LinkFailed says why the line does not open or who does not answer.
        InputWrong: if the link names a file that is wrong.
    """
    run = _Run(
        conversation=conversation,
        make_link=make_link,
        clock=clock,
        emit=emit,
        line=line,
        shows_reached=reached,
        first_try_s=first_try_s,
        backoff=Backoff(jitter),
        on_failure=on_failure or _tell_nobody,
        stopping=asyncio.ensure_future(stop.wait()),
        patience=asyncio.ensure_future(clock.sleep(first_try_s)),
    )
    await run.run()


def _tell_nobody(_failure: InstrumentFailed) -> None:
    """For who does not want to know."""


@dataclass(slots=True)
class _Run:
    """One `run_line`. Everything is done by the one task that runs it; the other tasks only wait."""

    conversation: Conversation
    make_link: Callable[[], Link]
    clock: Clock
    emit: Callable[[Sequence[Happening]], None]
    line: str
    shows_reached: Callable[[Happening], bool]
    first_try_s: float
    backoff: Backoff
    on_failure: Callable[[InstrumentFailed], None]
    stopping: asyncio.Future[Any]
    patience: asyncio.Future[None]
    timer: asyncio.Future[None] | None = None
    timer_ns: int = 0
    is_reached: bool = False
    has_opened: bool = False
    has_heard: bool = False
    failure: LinkFailed | None = None

    async def run(self) -> None:
        try:
            while not self._over:
                if not await self._connection():
                    return
                await self._turns(self.clock.sleep(self.backoff.next_s()))
            if not self.stopping.done() and not self.is_reached and self.patience.done():
                raise self._not_reached()
        finally:
            await _let_go(self.stopping, self.patience, self.timer)

    @property
    def _over(self) -> bool:
        return self.stopping.done() or (not self.is_reached and self.patience.done())

    # --- one connection -------------------------------------------------------------------------------------------

    async def _connection(self) -> bool:
        """One link from open to close. False when the far end is finished for good."""
        link = self.make_link()
        try:
            if not await self._opened(link):
                return True
            self.has_opened = True
            return await self._converse(link)
        finally:
            await link.close()

    async def _opened(self, link: Link) -> bool:
        try:
            opening = await self._turns(link.open())
            if opening is None:
                return False
            opening.result()
        except LinkFailed as failure:
            self.failure = failure
            if failure.reason is LinkReason.FORBIDDEN and not self.is_reached:
                raise
            self.on_failure(failure)
            return False
        return True

    async def _converse(self, link: Link) -> bool:
        """Talk until the line breaks, is dead, or is no longer wanted. False when the far end is finished for good."""
        try:
            try:
                self._step(lambda: self.conversation.connected(self.clock.mono_ns()))
                await self._serve(link)
            except (LinkLost, LinkEnded):
                raise
            except BaseException:
                await self._halt(link)
                raise
            if self._over:
                await self._halt(link)
            else:
                self._disconnected("the line is silent and is opened anew")
        except LinkLost as lost:
            self._disconnected(lost.sentence)
            self.on_failure(lost)
        except LinkEnded as ended:
            self._end(ended.sentence)
            return False
        return True

    async def _serve(self, link: Link) -> None:
        while not self._over and not self.conversation.wants_reopening:
            arriving = await self._turns(link.receive(), link)
            if arriving is not None:
                self._take(arriving.result())
        if self.stopping.done():
            await self._take_the_last(link)

    async def _take_the_last(self, link: Link) -> None:
        """What had arrived before the stop: `receive` hands it over without waiting."""
        for _ in range(LAST_CHUNKS):
            arriving = asyncio.ensure_future(link.receive())
            await asyncio.sleep(0)
            if not arriving.done():
                await _let_go(arriving)
                return
            self._take(arriving.result())

    async def _halt(self, link: Link) -> None:
        self.conversation.halt()
        await self._send(link)

    # --- turns: wait for one thing, and tick and send meanwhile ---------------------------------------------------

    async def _turns(self, waited_for: Any, link: Link | None = None) -> asyncio.Future[Any] | None:
        """Wait for a coroutine. Its finished task, or None if the run is over (or the line dead) before it is.

        What is there already comes first: bytes that wait while the machine is busy, each with the time at which it
        arrived, are no silence, and no timer may call them one.
        """
        task: asyncio.Future[Any] = asyncio.ensure_future(waited_for)
        try:
            while not self._over:
                await asyncio.sleep(0)
                if not task.done():
                    self._arm(self._tick())
                if link is not None:
                    await self._send(link)
                if task.done() or (link is not None and self.conversation.wants_reopening):
                    break
                waits = {task, self.stopping}
                waits |= {self.timer} if self.timer is not None else set()
                waits |= {self.patience} if not self.is_reached else set()
                await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            return task if task.done() else None
        finally:
            if not task.done():
                await _let_go(task)

    def _tick(self) -> int | None:
        """Do what is due. When to look again, in nanoseconds, or None."""
        now_ns = self.clock.mono_ns()
        deadline_ns = self.conversation.deadline_ns()
        if deadline_ns is None or deadline_ns > now_ns:
            return deadline_ns
        self._step(lambda: self.conversation.tick(now_ns))
        deadline_ns = self.conversation.deadline_ns()
        return deadline_ns if deadline_ns is None or deadline_ns > now_ns else now_ns + DUE_AGAIN_NS

    def _arm(self, deadline_ns: int | None) -> None:
        """A timer that rings no later than the deadline. One that rings too early is left: it costs one look."""
        if self.timer is not None and self.timer.done():
            self.timer = None
        if deadline_ns is None or (self.timer is not None and self.timer_ns <= deadline_ns):
            return
        if self.timer is not None:
            self.timer.cancel()
        wait_ns = max(deadline_ns - self.clock.mono_ns(), 0)
        self.timer = asyncio.ensure_future(self.clock.sleep(wait_ns / NS_PER_S))
        self.timer_ns = deadline_ns

    async def _send(self, link: Link) -> None:
        data = self.conversation.outgoing()
        if not data or not link.can_send:
            return
        try:
            await link.send(data)
        except LinkLost:
            pass  # whether the line still stands, `receive` says; what was asked in vain is asked again in its time

    # --- what happened --------------------------------------------------------------------------------------------

    def _take(self, chunk: Chunk) -> None:
        self.has_heard = True
        self.backoff.reset()
        self._step(lambda: self.conversation.receive(chunk.data, chunk.mono_ns))

    def _disconnected(self, why: str) -> None:
        self._step(lambda: self.conversation.disconnected(self.clock.mono_ns(), why))

    def _end(self, why: str) -> None:
        """The far end is finished for good, and tried no more. One that was nobody until then has failed."""
        if isinstance(self.conversation, TellsAtTheEnd):
            self._step(partial(self.conversation.ended, self.clock.mono_ns()))
        self._disconnected(why)
        self._step(lambda: [Ended(self.line, self.clock.mono_ns())])
        if not self.is_reached:
            remedy = "name the capture of a meter, and its ?driver= if it speaks another protocol"
            raise InstrumentFailed(f"{why}, and no meter said in it who it is", remedy)

    def _step(self, step: Callable[[], Sequence[Happening]]) -> None:
        """Take one step of the conversation and pass on what came of it."""
        try:
            happenings = step()
        except ZerofirstError:
            raise
        except Exception as error:
            said = harmless(f"{type(error).__name__}: {error}")
            raise InstrumentFailed(
                f"The driver of {harmless(self.line)} broke down ({said})", "tell its author"
            ) from error
        if not happenings:
            return
        if not self.is_reached and any(map(self.shows_reached, happenings)):
            self.is_reached = True
            self.patience.cancel()
        self.emit(happenings)

    def _not_reached(self) -> InstrumentFailed:
        if self.failure is not None and not self.has_opened:
            return self.failure
        place = harmless(self.line)
        if self.has_heard:
            sentence = f"{place} sends something, but not who it is"
            remedy = "check the baud rate, and ?driver= if the meter speaks another protocol"
        else:
            sentence = f"{place} does not answer"
            remedy = "check that the meter is switched on and connected, the baud rate, and ?driver="
        return LinkFailed(f"{sentence} within {self.first_try_s:.0f} s", remedy, LinkReason.SILENT)


async def _let_go(*tasks: asyncio.Future[Any] | None) -> None:
    """Cancel those that run and wait until they are gone; what they still raise is nobody's concern any more."""
    running = [task for task in tasks if task is not None]
    for task in running:
        task.cancel()
    await asyncio.gather(*running, return_exceptions=True)
