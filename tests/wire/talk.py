"""A conversation under test, with its time; and a small meter at the other end of a line that can be hurt.

The meter is written for these tests alone, from the protocol's text: it remembers what it said and answers what it
hears, and knows nothing of how the conversation keeps its books.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from wire_tools import events_of

from drivers.codecs import meter_words as words
from drivers.codecs.meter_line import Frame
from drivers.instrument import Instrument
from logger.clock import NS_PER_S
from logger.happening import Happening, RawBytes, Read, Told
from logger.quantity import Displayed, Function
from logger.reading import Flag, Identity, MeterEvent, Range, Reading

LINE = "memory:"
METER = Identity("0417", "boot-a", "Example Works", "TM-2", "1.4", "2027-03-14", 87, "A")
H = TypeVar("H", bound=Happening)


def a_range(mark: str, top: int) -> Range:
    from decimal import Decimal

    return Range(Function.INSULATION, mark, "MOhm", Decimal(0), Decimal(top), Decimal(1), voltages=("500",))


def a_reading(n: int, ms: int | None = None, *flags: Flag) -> Reading:
    at = n * 100 if ms is None else ms
    return Reading(n, Function.INSULATION, Displayed(f"{n}.00", "MOhm"), at, flags=frozenset(flags))


def rd(n: int, *flags: Flag, ms: int | None = None) -> bytes:
    return words.reading_frame(a_reading(n, ms, *flags))


def ev(n: int, name: str = "leads-changed") -> bytes:
    return words.event_frame(MeterEvent(n, name, n * 100))


def said_id(identity: Identity = METER) -> bytes:
    return words.identity_frame(identity)


def holds_nothing(_serial: str, _boot: str) -> None:
    """What a new logbook answers."""


class Talk:
    """The conversation, the seconds since it began, and all that happened."""

    def __init__(self, resume: Callable[[str, str], int | None] = holds_nothing, rate: int = 10) -> None:
        self.meter_line = Instrument(LINE, rate, resume)
        self.now_ns = 0
        self.happened: list[Happening] = []

    def note(self, happenings: Sequence[Happening]) -> list[Happening]:
        self.happened += happenings
        return list(happenings)

    def wait(self, seconds: float) -> list[Happening]:
        """Move on, ticking at every deadline on the way."""
        end_ns = self.now_ns + round(seconds * NS_PER_S)
        told: list[Happening] = []
        while (due_ns := self.meter_line.deadline_ns()) is not None and due_ns <= end_ns:
            self.now_ns = max(self.now_ns, due_ns)
            told += self.note(self.meter_line.tick(self.now_ns))
        self.now_ns = end_ns
        return told

    def connect(self) -> list[Happening]:
        return self.note(self.meter_line.connected(self.now_ns))

    def drop(self, why: str = "the plug was pulled") -> list[Happening]:
        return self.note(self.meter_line.disconnected(self.now_ns, why))

    def hear(self, *frames: bytes) -> list[Happening]:
        return self.note(self.meter_line.receive(b"".join(frames), self.now_ns))

    def sent(self) -> list[str]:
        """The bodies of what was queued since the last call."""
        return bodies(self.meter_line.outgoing())

    def ready(self) -> Talk:
        """Go through the introduction, so that only what follows is looked at."""
        self.connect()
        self.hear(said_id(), words.end_frame("functions"))
        self.sent()
        self.happened = [h for h in self.happened if isinstance(h, RawBytes)]
        return self

    def all(self, kind: type[H]) -> list[H]:
        return [happening for happening in self.happened if isinstance(happening, kind)]

    def stream(self) -> bytes:
        """All bytes heard, put together again from the chunks."""
        stream = b""
        for chunk in self.all(RawBytes):
            assert chunk.offset == len(stream)
            stream += chunk.data
        return stream

    def wants_reopening(self) -> bool:
        return self.meter_line.wants_reopening


def bodies(data: bytes) -> list[str]:
    events, left = events_of([data])
    assert left is None
    assert all(isinstance(event, Frame) for event in events)
    return [event.raw[1:-10].decode() for event in events if isinstance(event, Frame)]


def numbers(happenings: Sequence[Happening]) -> list[int]:
    """The numbers of the readings and events that were told as new, in order."""
    told = []
    for happening in happenings:
        if isinstance(happening, Read) and not happening.repeat:
            told.append(happening.reading.n)
        elif isinstance(happening, Told):
            told.append(happening.event.n)
    return told


@dataclass
class Meter:
    """Answers what it hears, out of what it remembers."""

    identity: Identity = METER
    n: int = 0
    memory: dict[int, bytes] = field(default_factory=dict)
    streaming: bool = False
    functions: tuple[Range, ...] = (a_range("1", 20), a_range("2", 1000))

    def measure(self) -> bytes:
        self.n += 1
        self.memory[self.n] = rd(self.n, Flag.STORED)
        return rd(self.n)

    def notice(self) -> bytes:
        self.n += 1
        self.memory[self.n] = ev(self.n)
        return ev(self.n)

    def power_up(self, boot: str) -> bytes:
        self.identity = replace(self.identity, boot=boot)
        self.n, self.memory, self.streaming = 0, {}, False
        return said_id(self.identity)

    def answer(self, data: bytes) -> list[bytes]:
        """The frames that answer what was heard; bytes that are no command are passed over."""
        events, _ = events_of([data])
        return [out for event in events if isinstance(event, Frame) for out in self._obey(words.interpret(event))]

    def _obey(self, command: words.Word) -> list[bytes]:
        match command:
            case words.Ask("id"):
                return [said_id(self.identity), words.end_frame("id")]
            case words.Ask("functions"):
                return [*map(words.range_frame, self.functions), words.end_frame("functions")]
            case words.Ask("stored", int(low), int(high)):
                kept = [self.memory[n] for n in range(low, min(high, self.n) + 1) if n in self.memory]
                return [*kept, words.end_frame("stored")]
            case words.Run() | words.Halt():
                self.streaming = isinstance(command, words.Run)
                return []
        raise AssertionError(f"a host must not say {command}")
