"""Examines a meter that is connected now: does it keep to the Meter Line Protocol? Sends `ask`, `run`, `halt` only."""

from __future__ import annotations

import asyncio
import itertools
import random
from collections.abc import Callable
from typing import Final

from drivers.backoff import Backoff
from drivers.checks import Check, Outcome
from drivers.codecs.meter_line import Frame, Junk, MeterLineCodec, NeedData
from drivers.codecs.meter_words import (
    ASK_FUNCTIONS,
    ASK_IDENTITY,
    ASK_STORED,
    AnswerEnd,
    Word,
    ask_frame,
    halt_frame,
    interpret,
    run_frame,
)
from drivers.links.base import Link
from logger.clock import NS_PER_S, Clock
from logger.errors import FrameWrong, LinkEnded, LinkFailed, LinkLost, LinkReason
from logger.reading import Flag, Identity, MeterEvent, Range, Reading
from logger.text import harmless

FIRST_TRY_S: Final = 15.0
"""How long a meter that cannot be reached is tried, seconds (interface, section 2)."""

ANSWER_S: Final = 1.0
"""How long an `ask` is given before it is repeated, seconds (protocol, section 3)."""

ASKED_AT_MOST: Final = 4
"""How often a question is put: once, and repeated three times (protocol, section 3)."""

STREAM_S: Final = 3.0
"""How long the stream is watched, seconds: thirty readings at the usual rate."""

RATE_SLACK: Final = 1.2
"""How much faster than asked a stream may be before it is a fault: two readings bunched at the end of three seconds."""

STORED_ASKED: Final = 5
"""How many of the newest readings are asked for again, a count."""

HALT_GRACE_S: Final = 0.5
"""How long after `halt` readings may still arrive, seconds: those that were under way."""

QUIET_S: Final = 4.5
"""How long the meter is left alone, seconds: two of its signs of life, two seconds apart at most, and a little."""

SIGN_OF_LIFE_S: Final = 2.2
"""Longest silence of a meter that is left alone, seconds: two, and what a slow line adds."""

IDENTITY_FIELDS: Final = ("proto", "maker", "model", "serial", "fw", "boot", "cal", "batt", "leads")
"""What an `id` frame says (protocol, section 2)."""


async def check_meter(
    make_link: Callable[[], Link],
    clock: Clock,
    *,
    rate: int,
    jitter: random.Random,
    first_try_s: float = FIRST_TRY_S,
) -> tuple[Check, ...]:
    """Examine the meter for about ten seconds.

    Args:
        make_link: a fresh link to it.
        clock: the source of time.
        rate: readings a second to ask for, 1 to 500.
        jitter: where pauses between attempts to connect take their jitter from.
        first_try_s: how long to try to connect, seconds.

    Raises:
        LinkFailed: if it cannot be reached, or not a byte comes from it.
        InputWrong: if the link names a file that is wrong.
    """
    link = await _reach(make_link, clock, Backoff(jitter), first_try_s)
    examination = _Examination(link, clock, rate)
    try:
        await examination.carry_out()
    except (LinkLost, LinkEnded) as lost:
        examination.note("stays connected", lost.sentence)
    finally:
        await examination.let_go()
        await link.close()
    return tuple(examination.checks)


async def _reach(make_link: Callable[[], Link], clock: Clock, backoff: Backoff, first_try_s: float) -> Link:
    give_up_ns = clock.mono_ns() + round(first_try_s * NS_PER_S)
    while True:
        link = make_link()
        try:
            await link.open()
            return link
        except BaseException as failure:
            await link.close()
            is_hopeless = not isinstance(failure, LinkFailed) or failure.reason is LinkReason.FORBIDDEN
            if is_hopeless or clock.mono_ns() >= give_up_ns:
                raise
        await clock.sleep(backoff.next_s())


class _Examination:
    """One meter, one connection."""

    def __init__(self, link: Link, clock: Clock, rate: int) -> None:
        self._link = link
        self._clock = clock
        self._rate = rate
        self._codec = MeterLineCodec()
        self._arriving: asyncio.Future[None] | None = None
        self._heard: list[tuple[int, Frame, Word]] = []
        self._faults: list[str] = []
        self._has_heard_a_byte = False
        self.checks: list[Check] = []

    async def carry_out(self) -> None:
        await self._identity()
        await self._functions()
        await self._stream()
        await self._stored()
        await self._halt()
        faults = self._faults
        self.note("every frame checks", f"{len(faults)} do not; the first: {faults[0]}" if faults else "")

    async def let_go(self) -> None:
        """Leave no task behind."""
        if self._arriving is not None:
            self._arriving.cancel()
            await asyncio.gather(self._arriving, return_exceptions=True)

    def note(self, name: str, fault: str, seen: str = "As it should be") -> None:
        """Write down how a check came out: `fault` is empty where all is well."""
        outcome = Outcome.FAILED if fault else Outcome.PASSED
        self.checks.append(Check(name, outcome, harmless(fault or seen)))

    def skip(self, name: str, why: str) -> None:
        """Write down that a check could not be tried."""
        self.checks.append(Check(name, Outcome.SKIPPED, why))

    # --- the checks -----------------------------------------------------------------------------------------------

    async def _identity(self) -> None:
        is_answered = await self._ask(ASK_IDENTITY)
        if not self._has_heard_a_byte:
            raise LinkFailed(
                "The meter says nothing at all", "check that it is switched on, and the baud rate", LinkReason.SILENT
            )
        given = [(frame, word) for _, frame, word in self._heard if isinstance(word, Identity)]
        if not given:
            self.note("identifies itself", "No `id` came that can be read: check the baud rate, and ?driver=")
            return
        frame, identity = given[-1]
        fault = "" if is_answered else "It sends `id`, but no `end of=id` after being asked"
        self.note("identifies itself", fault, f"{identity.maker} {identity.model}, serial {identity.serial}")
        missing = [name for name in IDENTITY_FIELDS if name not in frame.fields]
        self.note("says all of who it is", f"`id` lacks {', '.join(missing)}" if missing else "")

    async def _functions(self) -> None:
        is_answered = await self._ask(ASK_FUNCTIONS)
        ranges = {word for _, _, word in self._heard if isinstance(word, Range)}
        functions = sorted({str(word.function) for word in ranges})
        fault = "" if ranges else "No `fn` came that can be read"
        if ranges and not is_answered:
            fault = "It sends `fn`, but no `end of=functions` after being asked"
        self.note("announces its functions", fault, f"{len(ranges)} ranges of {', '.join(functions)}")

    async def _stream(self) -> None:
        before = len(self._heard)
        await self._send(run_frame(self._rate))
        await self._hear(STREAM_S)
        readings = [word for _, _, word in self._heard[before:] if isinstance(word, Reading)]
        per_second = len(readings) / STREAM_S
        fault = "" if readings else "No reading came; where a key starts a reading, press it during the check"
        if per_second > self._rate * RATE_SLACK + 1:
            fault = f"{per_second:.0f} readings a second came, where {self._rate} were asked for at most"
        self.note("streams at the rate asked for", fault, f"{per_second:.1f} readings a second of {self._rate}")
        numbers = [word.n for _, _, word in self._heard if isinstance(word, Reading | MeterEvent)]
        jumps = [(a, b) for a, b in itertools.pairwise(numbers) if b != a + 1]
        self.note("numbers without a gap", f"After number {jumps[0][0]} came {jumps[0][1]}" if jumps else "")

    async def _stored(self) -> None:
        name = "sends again what it holds"
        originals = {word.n: word for _, _, word in self._heard if isinstance(word, Reading)}
        if not originals:
            self.skip(name, "There is no reading to ask for")
            return
        high = max(originals)
        low = max(min(originals), high - STORED_ASKED + 1)
        before = len(self._heard)
        is_answered = await self._ask(ASK_STORED, low, high)
        again = [word for _, _, word in self._heard[before:] if isinstance(word, Reading)]
        stored = {word.n: word for word in again if Flag.STORED in word.flags}
        missing = [n for n in originals if low <= n <= high and n not in stored]
        changed = [n for n, word in stored.items() if n in originals and word.value != originals[n].value]
        fault = "" if is_answered else f"It was asked for {low} to {high}, and no `end of=stored` came"
        if missing:
            fault = f"Number {missing[0]} did not come again with the flag `stored`"
        elif changed:
            fault = f"Number {changed[0]} came again with another value"
        self.note(name, fault, f"{low} to {high} came again")

    async def _halt(self) -> None:
        await self._send(halt_frame())
        await self._hear(HALT_GRACE_S)
        before, began_ns = len(self._heard), self._clock.mono_ns()
        await self._hear(QUIET_S)
        after = self._heard[before:]
        readings = sum(isinstance(word, Reading) for _, _, word in after)
        self.note("halts", f"{readings} readings came after `halt`" if readings else "")
        moments = [began_ns, *(at_ns for at_ns, _, word in after if isinstance(word, Identity)), self._clock.mono_ns()]
        longest_s = max(b - a for a, b in itertools.pairwise(moments)) / NS_PER_S
        fault = f"For {longest_s:.1f} s no `id` came; 2 s is the most" if longest_s > SIGN_OF_LIFE_S else ""
        self.note("gives signs of life", fault, f"The longest pause was {longest_s:.1f} s")

    # --- talking --------------------------------------------------------------------------------------------------

    async def _ask(self, what: str, low: int | None = None, high: int | None = None) -> bool:
        """Ask, and again while unanswered. Whether the end of the answer came."""
        before = len(self._heard)

        def is_answered() -> bool:
            return any(isinstance(word, AnswerEnd) and word.of == what for _, _, word in self._heard[before:])

        for _ in range(ASKED_AT_MOST):
            await self._send(ask_frame(what, low, high))
            await self._hear(ANSWER_S, is_answered)
            if is_answered():
                return True
        return False

    async def _send(self, data: bytes) -> None:
        try:
            await self._link.send(data)
        except LinkLost:
            pass  # whether the line still stands, `receive` says

    async def _hear(self, seconds: float, enough: Callable[[], bool] = lambda: False) -> None:
        """Take in what comes for `seconds`, or until there is enough."""
        timer = asyncio.ensure_future(self._clock.sleep(seconds))
        try:
            while not timer.done() and not enough():
                self._arriving = self._arriving or asyncio.ensure_future(self._take_one())
                await asyncio.wait({timer, self._arriving}, return_when=asyncio.FIRST_COMPLETED)
                if self._arriving.done():
                    arrived, self._arriving = self._arriving, None
                    arrived.result()
        finally:
            timer.cancel()

    async def _take_one(self) -> None:
        chunk = await self._link.receive()
        self._has_heard_a_byte = True
        self._codec.receive(chunk.data)
        while not isinstance(event := self._codec.next_event(), NeedData):
            if isinstance(event, Junk):
                self._misheard(event.data, event.why)
                continue
            try:
                self._heard.append((chunk.mono_ns, event, interpret(event)))
            except FrameWrong as wrong:
                self._misheard(event.raw, wrong.sentence)

    def _misheard(self, data: bytes, why: str) -> None:
        """A fault, unless it is the tail of a frame into whose middle we came."""
        if self._heard or self._faults or data.startswith(b"@"):
            self._faults.append(f"{why}: {data.decode('ascii', 'backslashreplace')}")
