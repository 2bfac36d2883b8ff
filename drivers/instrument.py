"""The conversation with a meter that speaks the Meter Line Protocol: bytes and time in, happenings out. Sans-IO.

What lives here: what each frame means for who is on the line, and what is told of it. What does not: frames
(`drivers.codecs`), patience with questions (`drivers.introduction`, `drivers.backfill`), silence (`drivers.presence`),
the sending of bytes (`drivers.line`).

    connected ── ask id ──▶ id ── ask functions ──▶ fn … end ──▶ Ready ── run ──▶ readings
                  ▲                                                                  │
                  └───────────── three seconds without a byte, or a new link ◀───────┘

Three rules hold it together. A reading counts only under an identity given *on this connection*: what comes before it
is held back. A new `boot` begins a new count, and ends the hope for what the old one still owed. And nothing goes to
the meter but through `Outbox`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from drivers.api import Resume
from drivers.asking import Outbox
from drivers.backfill import Backfill
from drivers.codecs.meter_line import Frame, MeterLineCodec, NeedData
from drivers.codecs.meter_words import ASK_FUNCTIONS, ASK_STORED, AnswerEnd, Refusal, Unknown, interpret
from drivers.introduction import Abilities, Stream, Who
from drivers.numbering import Taken
from drivers.presence import Presence
from logger.errors import FrameWrong
from logger.happening import (
    Damaged,
    Disconnected,
    Filled,
    Gap,
    Happening,
    Identified,
    Lost,
    RawBytes,
    Read,
    Ready,
    Reconnected,
    Told,
)
from logger.reading import Flag, Identity, MeterEvent, Occurrence, Range, Reading

HELD_FRAMES_AT_MOST: Final = 5_000
"""Most frames held back until the meter says who it is: a meter that only talks says it every 10 s, at 500 a second."""


@dataclass(frozen=True, slots=True)
class _Counted:
    """A frame that has a number: a reading, an event, or a reading of a function that nobody told us of."""

    word: Reading | MeterEvent | Unknown
    n: int
    first: int
    last: int
    at_ns: int


class Instrument:
    """One meter on one line; see `drivers.api.Conversation`. Not thread-safe.

    `mono_ns` of a happening is when its bytes arrived; where a frame was held back, that lies before its neighbours'.
    """

    def __init__(self, line: str, rate: int, resume: Resume) -> None:
        """`line`, `rate` (1 to 500) and `resume` as in `drivers.api.Driver.converse`."""
        self._line = line
        self._resume = resume
        self._codec = MeterLineCodec()
        self._happened: list[Happening] = []
        self._received_bytes = 0
        self._presence = Presence()
        self._outbox = Outbox()
        self._who = Who(self._outbox)
        self._battery_in_question = False
        """The meter told of a low battery: its next word on it is handed on, changed or not."""
        self._abilities = Abilities(self._outbox)
        self._stream = Stream(self._outbox, rate)
        self._backfill = Backfill(self._outbox, None)
        self._identity: Identity | None = None
        self._confirmed = False  # the identity was given on this connection
        self._held: deque[_Counted] = deque()
        self._meter_ms = 0  # the meter's clock has come so far since it last said who it is

    def connected(self, now_ns: int) -> Sequence[Happening]:
        """The link is open (again): asks who is there."""
        if self._presence.linked:
            self._break(now_ns, "the line was opened again")
        self._presence.open(now_ns)
        self._who.ask(now_ns)
        return self._flush()

    def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
        """Bytes arrived. Never raises, whatever they are."""
        self._due(now_ns)
        self._tell(RawBytes(self._line, now_ns, data, self._received_bytes))
        self._received_bytes += len(data)
        if self._presence.heard(now_ns):
            self._who.wonder(now_ns)
        self._codec.receive(data)
        while not isinstance(event := self._codec.next_event(), NeedData):
            if isinstance(event, Frame):
                self._frame(event, now_ns)
            else:
                self._damaged(event.first, event.last, event.why, now_ns)
        if self._confirmed:
            self._backfill.ask(now_ns)
        return self._flush()

    def disconnected(self, now_ns: int, why: str) -> Sequence[Happening]:
        """The link broke. `why` is one phrase for a person."""
        if self._presence.linked:
            self._break(now_ns, why)
        return self._flush()

    def ended(self, now_ns: int) -> Sequence[Happening]:
        """Nothing more will come. A meter whose answer about its functions is missing is ready with what it told."""
        self._due(now_ns)
        if self._confirmed and self._abilities.give_up():
            self._tell_ready(now_ns)
        return self._flush()

    def tick(self, now_ns: int) -> Sequence[Happening]:
        """Do what is due."""
        self._due(now_ns)
        return self._flush()

    def deadline_ns(self) -> int | None:
        """When `tick` is next needed; None while the link is closed."""
        if not self._presence.linked:
            return None
        who_ns = self._who.deadline_ns(unknown=not self._confirmed)
        dues = (self._presence.deadline_ns, who_ns, self._abilities.deadline_ns, self._backfill.deadline_ns)
        return min((due for due in dues if due is not None), default=None)

    def outgoing(self) -> bytes:
        """What must be sent now, in whole frames; handed over once."""
        return self._outbox.take()

    def halt(self) -> None:
        """Queue `halt`, the last word: nothing is sent after it."""
        self._outbox.halt()

    @property
    def wants_reopening(self) -> bool:
        """The line is open and has been without a byte for seven seconds."""
        return self._presence.wants_reopening

    def _due(self, now_ns: int) -> None:
        if not self._presence.linked:
            return
        if self._presence.fell_silent(now_ns):
            self._lose_contact(now_ns, "silent for 3 s")
            self._who.ask(now_ns)
        self._who.tick(now_ns, unknown=not self._confirmed)
        if self._abilities.tick(now_ns):
            self._tell_ready(now_ns)
        self._account(self._backfill.tick(now_ns), now_ns)
        if self._confirmed:
            self._backfill.ask(now_ns)

    def _break(self, now_ns: int, why: str) -> None:
        self._presence.close()
        left = self._codec.finish()
        if left is not None:
            self._damaged(left.first, left.last, left.why, now_ns)
        self._lose_contact(now_ns, why)
        self._who.settle()
        self._outbox.clear()

    def _lose_contact(self, now_ns: int, why: str) -> None:
        """Whoever speaks next must say who it is. A meter that never did is not missed."""
        self._confirmed = False
        while self._held:  # it may have been the boot before, so it is not put down to the next
            self._not_named(self._held.popleft())
        self._abilities.pause()
        self._backfill.pause()
        if self._identity is not None and self._presence.lost():
            self._tell(Disconnected(self._line, now_ns, why))

    def _frame(self, frame: Frame, now_ns: int) -> None:
        try:
            word = interpret(frame)
        except FrameWrong as error:
            self._damaged(frame.first, frame.last, error.sentence, now_ns)
            return
        if isinstance(word, (Reading, MeterEvent, Unknown)) and word.n is not None:
            self._counted(_Counted(word, word.n, frame.first, frame.last, now_ns))
        elif isinstance(word, Identity):
            self._identified(word, now_ns)
        elif isinstance(word, Range) and not self._abilities.take(word, now_ns):
            self._damaged(frame.first, frame.last, "more ranges than are kept", now_ns)
        elif isinstance(word, AnswerEnd):
            self._answer_ended(word.of, now_ns)
        elif isinstance(word, Refusal):
            self._refused(now_ns)

    def _counted(self, counted: _Counted) -> None:
        if self._confirmed:
            self._place(counted)
        else:
            self._held.append(counted)
            if len(self._held) > HELD_FRAMES_AT_MOST:
                self._not_named(self._held.popleft())

    def _place(self, counted: _Counted) -> None:
        """Count a frame under the identity that is there, and tell what it says."""
        assert self._identity is not None
        word, at_ns = counted.word, counted.at_ns
        serial, boot = self._identity.serial, self._identity.boot
        taken = self._backfill.take(counted.n, at_ns)
        self._account(Taken(gap=taken.gap, lost=taken.lost), at_ns)
        if isinstance(word, Reading):
            self._tell(Read(self._line, at_ns, serial, boot, word, taken.repeat, counted.first, counted.last))
            self._stream.reading(at_ns)
            if Flag.STORED not in word.flags:
                self._look_for_a_reboot(word, taken.repeat, at_ns)
        elif isinstance(word, MeterEvent) and not taken.repeat:
            self._tell(Told(self._line, at_ns, serial, boot, word, counted.first, counted.last))
            if word.name == Occurrence.BATTERY_LOW:
                self._battery_in_question = True
                self._who.ask(at_ns)
        self._account(Taken(filled=taken.filled), at_ns)

    def _look_for_a_reboot(self, reading: Reading, repeat: bool, now_ns: int) -> None:
        """A number or a clock that falls back may be a power-up whose `id` was damaged."""
        meter_ms = self._meter_ms if reading.meter_ms is None else reading.meter_ms
        if repeat or meter_ms < self._meter_ms:
            self._who.wonder(now_ns)
        self._meter_ms = max(self._meter_ms, meter_ms)

    def _identified(self, identity: Identity, now_ns: int) -> None:
        self._who.settle()
        known, was_confirmed = self._identity, self._confirmed
        another = known is None or (known.serial, known.boot) != (identity.serial, identity.boot)
        if another:
            self._account(self._backfill.give_up(), now_ns)
        away_ns = self._presence.returned(now_ns)
        if away_ns is not None:
            self._tell(Reconnected(self._line, now_ns, away_ns))
        if identity != known or self._battery_in_question:
            self._battery_in_question = False
            self._tell(Identified(self._line, now_ns, identity, another))
        self._identity, self._confirmed, self._meter_ms = identity, True, 0
        if another:
            self._begin_boot(known, identity)
        if not self._abilities.settled:
            if another or not was_confirmed:
                self._abilities.ask(now_ns)
        elif not was_confirmed:
            self._stream.start(now_ns)
        else:
            self._stream.idle(now_ns)
        while self._held:
            self._place(self._held.popleft())

    def _begin_boot(self, known: Identity | None, identity: Identity) -> None:
        highest = self._resume(identity.serial, identity.boot)
        if highest is None and known is not None and known.serial == identity.serial:
            highest = 0  # it was switched on while we watched, so its numbers are owed from 1
        self._backfill = Backfill(self._outbox, highest)
        if known is not None:
            self._abilities.forget()

    def _answer_ended(self, of: str, now_ns: int, refused: bool = False) -> None:
        if of == ASK_STORED:
            self._account(self._backfill.answer_ended(now_ns, refused), now_ns)
        elif of == ASK_FUNCTIONS and self._confirmed and self._abilities.answer_ended(now_ns, refused):
            self._tell_ready(now_ns)

    def _refused(self, now_ns: int) -> None:
        if self._abilities.awaited:
            self._answer_ended(ASK_FUNCTIONS, now_ns, refused=True)
        elif not self._stream.refused(now_ns):
            self._answer_ended(ASK_STORED, now_ns, refused=True)

    def _tell_ready(self, now_ns: int) -> None:
        """Told once a boot, and again if ranges change later; having it stream twice does no harm."""
        assert self._identity is not None
        self._tell(Ready(self._line, now_ns, self._identity, self._abilities.ranges))
        self._stream.start(now_ns)

    def _account(self, taken: Taken, now_ns: int) -> None:
        """Tell of numbers missing, come and lost."""
        if self._identity is None:
            return
        name = (self._line, now_ns, self._identity.serial, self._identity.boot)
        for filled in taken.filled:
            self._tell(Filled(*name, *filled))
        for lost in taken.lost:
            self._tell(Lost(*name, *lost))
        if taken.gap is not None:
            self._tell(Gap(*name, *taken.gap))

    def _not_named(self, counted: _Counted) -> None:
        self._tell(Damaged(self._line, counted.at_ns, counted.first, counted.last, "before the meter said who it is"))

    def _damaged(self, first: int, last: int, why: str, now_ns: int) -> None:
        self._backfill.damage()
        self._abilities.damage()
        self._tell(Damaged(self._line, now_ns, first, last, why))

    def _tell(self, happening: Happening) -> None:
        self._happened.append(happening)

    def _flush(self) -> Sequence[Happening]:
        happened, self._happened = self._happened, []
        return happened
