"""One line of one session, decoded again: its bytes and their times through a fresh conversation of its driver.

A conversation's happenings follow from the bytes and their times alone, but for two things that no log holds: when
exactly a timer was looked at, and that a link broke where this changed nothing that shows. So `feed` does what was due
before each chunk, and `explain` tries, for an entry that does not follow yet, whether time going on or a break of the
link would bring it; what did not help is taken back. What is asked of meters goes nowhere.
"""

from __future__ import annotations

import copy
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from logger.happening import Ended, Filled, Gap, Happening, Identified, Lost, RawBytes, Read, Ready
from logger.recorder.bodies import RawSpan
from logger.recorder.intake import RAW_ENTRIES_REMEMBERED

TICKS_AT_MOST: Final = 20_000
"""Most timers that are looked at between two chunks: a day of asking every five seconds who is there."""

TICKS_TO_EXPLAIN: Final = 64
"""How many timers are looked at to explain one entry: three asks of everything that can be asked, several times."""

DUE_AGAIN_NS: Final = 10_000_000
"""Least time between two looks where a driver's deadline does not move on, nanoseconds (as `drivers.line` has it)."""

UNTOLD_AT_MOST: Final = 10_000
"""Most filled or lost spans kept to be compared: five times what a driver has open at once."""

READY_AT_MOST: Final = 64
"""Most that a meter was ready, without an entry that says so, that are kept to be compared."""

Resume = Callable[[str, str], int | None]
"""`resume(serial, boot)`: the highest count that the logbook held of that boot when the session began, or None."""


class Conversation(Protocol):
    """What re-derivation needs of a driver's conversation; `drivers.api` says what each does."""

    def connected(self, now_ns: int) -> Sequence[Happening]:
        """The link is open."""

    def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
        """Bytes arrived."""

    def disconnected(self, now_ns: int, why: str) -> Sequence[Happening]:
        """The link broke."""

    def tick(self, now_ns: int) -> Sequence[Happening]:
        """Do what is due."""

    def deadline_ns(self) -> int | None:
        """When `tick` is next needed."""

    def outgoing(self) -> bytes:
        """What would be sent."""


class Drivers(Protocol):
    """The drivers at hand. The record cannot import them: whoever audits brings them."""

    def converse(self, driver: str, line: str, resume: Resume) -> Conversation:
        """A fresh conversation.

        Args:
            driver: its name; empty where the log does not say (no meter was ever known on the line).
            line: the URL that was recorded from.
            resume: what the logbook held.

        Raises:
            InputWrong: if there is no such driver here.
        """

    def version_of(self, driver: str) -> str:
        """Name and version of the driver here, as the record writes it.

        Raises:
            InputWrong: if there is none.
        """


@dataclass(slots=True)
class Waiting:
    """What was derived and does not stand as an entry yet.

    Attributes:
        strict: in the order in which the entries must come.
        ready: that a meter was ready, with the time: it comes when a timer says so.
        untold: numbers filled or lost, with the time, where that hangs on the moment of a timer.
    """

    strict: deque[Happening] = field(default_factory=deque)
    ready: list[tuple[int, Ready]] = field(default_factory=list)
    untold: list[tuple[int, Filled | Lost]] = field(default_factory=list)

    @property
    def counts(self) -> tuple[int, int, int]:
        """How many there are of each."""
        return len(self.strict), len(self.ready), len(self.untold)

    def copy(self) -> Waiting:
        """As it is now."""
        return Waiting(self.strict.copy(), self.ready.copy(), self.untold.copy())


class LineReplay:
    """One line of one session.

    Attributes:
        line: its URL.
        serial: who was last known to be on it, as the recorder had it.
        boot: likewise.
        driver: name and version, as recorded.
        offset: bytes so far.
        last_ns: host's monotonic time of the newest chunk.
        gave_up: numbers were given up in its course: what came late may have been taken otherwise.
        asking: numbers are missing, and the driver asks for them.
        timed: a timer was looked at meanwhile, so that what became of them hangs on its very moment.
        broken: the link broke, for a reason that only the log knows.
        refused: its meter is on another line; but for the bytes that said so nothing of it is recorded.
    """

    def __init__(
        self, line: str, driver: str, conversation: Conversation | None, claim: Callable[[str], bool] = lambda _: True
    ) -> None:
        """`conversation` is None where the driver is not here: then nothing is derived. `claim`: whether a meter of
        that serial number may be on this line (another line may speak for it)."""
        self.line = line
        self.driver = driver
        self.conversation = conversation
        self._claim = claim
        self.serial: str | None = None
        self.boot: str | None = None
        self.offset = 0
        self.last_ns = 0
        self.waiting = Waiting()
        self.spans: deque[RawSpan] = deque(maxlen=RAW_ENTRIES_REMEMBERED)
        self.gave_up = False
        self.asking = False
        self.timed = False
        self.broken = False
        self.refused = False
        self._now_ns = 0
        self._linked = False

    def feed(self, chunks: Iterable[tuple[int, bytes]]) -> None:
        """Bytes came: time and data of each chunk."""
        conversation = self.conversation
        for now_ns, data in chunks:
            self.offset += len(data)
            self.last_ns = now_ns
            if conversation is None:
                continue
            if not self._linked:
                self._linked, self.broken = True, False
                self._take(conversation.connected(now_ns))
            self._tick_until(conversation, now_ns)
            self._take(conversation.receive(data, now_ns))
            if now_ns > self._now_ns:
                self._now_ns = now_ns
        if conversation is not None:
            conversation.outgoing()

    def explain(self, explained: Callable[[], bool]) -> bool:
        """Whether time going on, or a break of the link, brings what `explained` asks for. If not, all is as before."""
        if self.conversation is None:
            return False
        for attempt in (self._let_time_pass, self._break):
            before = self._state()
            if before is None:
                return False
            attempt()
            if explained():
                return True
            self._restore(before)
        return False

    def _let_time_pass(self) -> None:
        assert self.conversation is not None
        had = self.waiting.counts
        for _ in range(TICKS_TO_EXPLAIN):
            due_ns = self.conversation.deadline_ns()
            if due_ns is None or self.waiting.counts != had:
                return
            self._tick(self.conversation, due_ns)

    def _break(self) -> None:
        assert self.conversation is not None
        self._take(self.conversation.disconnected(self._now_ns, ""))
        self._linked, self.broken = False, True

    def _tick_until(self, conversation: Conversation, end_ns: int) -> None:
        for _ in range(TICKS_AT_MOST):
            due_ns = conversation.deadline_ns()
            if due_ns is None or max(due_ns, self._now_ns) > end_ns:
                return
            self._tick(conversation, due_ns)

    def _tick(self, conversation: Conversation, due_ns: int) -> None:
        now_ns = max(due_ns, self._now_ns)
        self.timed = self.timed or self.asking
        self._take(conversation.tick(now_ns))
        conversation.outgoing()
        again_ns = conversation.deadline_ns()
        stuck = again_ns is not None and again_ns <= now_ns
        self._now_ns = now_ns + DUE_AGAIN_NS if stuck else now_ns

    def _take(self, happenings: Sequence[Happening]) -> None:
        """Keep what was yielded at once; nothing of it, where a meter speaks that is on another line: that ends it."""
        waiting = self.waiting
        for happening in happenings:
            if type(happening) is Identified and not self._claim(happening.identity.serial):
                self.refused = True
        if self.refused:
            return
        for happening in happenings:
            if isinstance(happening, Read):
                waiting.strict.append(happening)
            elif isinstance(happening, RawBytes | Ended):
                continue
            elif isinstance(happening, Ready):
                waiting.ready.append((self._now_ns, happening))
                del waiting.ready[:-READY_AT_MOST]
            elif isinstance(happening, Filled | Lost) and self.timed:
                self.gave_up = self.gave_up or isinstance(happening, Lost)
                waiting.untold.append((self._now_ns, happening))
                del waiting.untold[:-UNTOLD_AT_MOST]
            else:
                self._note_asking(happening)
                waiting.strict.append(happening)

    def _note_asking(self, happening: Happening) -> None:
        if isinstance(happening, Gap):
            self.asking = True
        elif isinstance(happening, Identified) and happening.new_boot:
            self.asking = self.timed = self.gave_up = False

    def _state(self) -> _State | None:
        """All that an attempt changes; None where a stranger's conversation cannot be copied."""
        assert self.conversation is not None
        try:
            kept = copy.deepcopy(self.conversation)
        except Exception:  # a plug-in may hold what cannot be copied: then nothing is tried on it
            return None
        flags = self.gave_up, self.asking, self.timed, self.broken, self.refused
        return _State(kept, self.waiting.copy(), self._now_ns, self._linked, flags)

    def _restore(self, before: _State) -> None:
        self.conversation, self.waiting = before.conversation, before.waiting
        self._now_ns, self._linked = before.now_ns, before.linked
        self.gave_up, self.asking, self.timed, self.broken, self.refused = before.flags


@dataclass(frozen=True, slots=True)
class _State:
    conversation: Conversation
    waiting: Waiting
    now_ns: int
    linked: bool
    flags: tuple[bool, bool, bool, bool, bool]
