"""The conformance kit for drivers: what every conversation must do, tried on captures of its own meter.

For authors of drivers, in their own tests:

    for check in check_driver(MY_DRIVER, [capture_bytes]):
        assert check.outcome is not Outcome.FAILED, check.sentence

`check_meter` is the other half: it examines a meter that is connected now.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from drivers.api import API_VERSION, Conversation, Driver
from drivers.checks import Check, Outcome
from drivers.codecs.meter_line import Frame, MeterLineCodec, NeedData
from drivers.codecs.meter_words import Ask, Halt, Run, interpret
from drivers.meter_check import check_meter
from logger.clock import NS_PER_S
from logger.errors import FrameWrong
from logger.happening import Happening, RawBytes, Read
from logger.text import harmless

__all__ = ["Check", "Outcome", "check_driver", "check_meter", "only_commands"]

NS_PER_BYTE = 1_000
"""How long a byte takes in these checks, nanoseconds: the same bytes come at the same times, however they are cut."""

CUTS_AT_MOST = 400
"""How many places a capture is cut in two at, a count: all of a short one, spread over a long one."""

RANDOM_TRIES = 40
"""How many random ways of cutting, and how many flipped bits, are tried for each capture."""

SILENCE_S = 60
"""How long the driver is left alone to see what it does on a silent line, seconds."""

TICKS_A_SECOND_AT_MOST = 100
"""More ticks than this on a silent line are a spinning driver, a count."""

Fault = str
"""What is wrong, as a sentence without its full stop; empty where all is well."""


@dataclass
class _Heard:
    """What a conversation made of some bytes."""

    happenings: list[Happening] = field(default_factory=list)
    sent: bytearray = field(default_factory=bytearray)
    now_ns: int = 0

    def readings(self) -> list[Read]:
        return [happening for happening in self.happenings if isinstance(happening, Read)]

    def named(self) -> list[tuple[object, ...]]:
        """The readings without the time at which they came."""
        return [(r.serial, r.boot, r.reading, r.repeat, r.first, r.last) for r in self.readings()]


def only_commands(sent: bytes) -> bool:
    """Whether `sent` holds nothing but whole `ask`, `run` and `halt` frames of the Meter Line Protocol."""
    codec = MeterLineCodec()
    codec.receive(sent)
    while not isinstance(event := codec.next_event(), NeedData):
        try:
            if not isinstance(event, Frame) or not isinstance(interpret(event), Ask | Run | Halt):
                return False
        except FrameWrong:
            return False
    return codec.finish() is None


def check_driver(
    driver: Driver,
    captures: Sequence[bytes],
    *,
    may_send: Callable[[bytes], bool] = only_commands,
    has_check: bool = True,
) -> tuple[Check, ...]:
    """Try everything that can be tried without a meter. Never raises for what the driver does.

    Args:
        driver: what its entry point offers.
        captures: each the bytes of one line from its start, with at least one reading.
        may_send: whether some bytes are allowed to be sent: no driver may make a meter put a voltage on its leads.
        has_check: whether the wire protocol protects its frames by a check; without one a flipped bit goes unseen.
    """
    kit = _Kit(driver, captures, may_send)
    checks: list[tuple[str, Callable[[], Fault]]] = [
        ("is a driver", kit.is_a_driver),
        ("reads its own captures", kit.reads_captures),
        ("the same bytes give the same happenings", kit.is_repeatable),
        ("bytes may be cut anywhere", kit.may_be_cut_anywhere),
        ("every byte is kept", kit.keeps_every_byte),
        ("garbage becomes no reading", kit.garbage_is_harmless),
        ("damage becomes no reading", kit.damage_is_seen),
        ("a line that breaks is taken up again", kit.survives_breaking),
        ("deadlines move on", kit.deadlines_move),
        ("sends only what is allowed", kit.sends_only_what_is_allowed),
    ]
    return tuple(
        Check(name, Outcome.SKIPPED, "The protocol has no check")
        if check == kit.damage_is_seen and not has_check
        else _tried(name, check)
        for name, check in checks
    )


def _tried(name: str, check: Callable[[], Fault]) -> Check:
    try:
        fault = check()
    except Exception as error:  # whatever a driver raises is what the check is about
        fault = f"It raised {type(error).__name__}: {error}"
    return Check(name, Outcome.FAILED if fault else Outcome.PASSED, harmless(fault) or "As it should be")


class _Kit:
    """The checks; each gives its fault."""

    def __init__(self, driver: Driver, captures: Sequence[bytes], may_send: Callable[[bytes], bool]) -> None:
        self._driver = driver
        self._captures = captures
        self._may_send = may_send

    def is_a_driver(self) -> Fault:
        if self._driver.api_version != API_VERSION:
            return f"Its api_version is {self._driver.api_version}, and should be {API_VERSION}"
        if not self._driver.name:
            return "It has no name"
        for rate in (1, 500):
            self._driver.converse("check:", rate, _nothing_held)
        return ""

    def reads_captures(self) -> Fault:
        if not self._captures:
            return "There is no capture to try"
        silent = [n for n, capture in enumerate(self._captures, 1) if not self._hear([capture]).readings()]
        return f"Capture {silent[0]} gives no reading" if silent else ""

    def is_repeatable(self) -> Fault:
        for capture in self._captures:
            if self._hear([capture]).happenings != self._hear([capture]).happenings:
                return "It says something else the second time"
        return ""

    def may_be_cut_anywhere(self) -> Fault:
        for capture in self._captures:
            whole = self._hear([capture]).named()
            for pieces in _ways_to_cut(capture):
                if self._hear(pieces).named() != whole:
                    cut = ", ".join(str(len(piece)) for piece in pieces[:4])
                    return f"Cut into pieces of {cut}… bytes, a capture gives other readings"
        return ""

    def keeps_every_byte(self) -> Fault:
        for data in [*self._captures, *_garbage()]:
            for pieces in ([data], [data[i : i + 7] for i in range(0, len(data), 7)]):
                if fault := _unkept(self._hear(pieces).happenings, data):
                    return fault
        return ""

    def garbage_is_harmless(self) -> Fault:
        for garbage in _garbage():
            if self._hear([garbage]).readings():
                return f"Garbage that begins {garbage[:12]!r} became a reading"
            for capture in self._captures:
                read = {r.reading for r in self._hear([garbage, capture]).readings()}
                missing = [r for r in self._hear([capture]).readings() if r.reading not in read]
                if len(missing) > 1:
                    return f"After garbage, {len(missing)} readings of a capture are missing; one might be"
        return ""

    def damage_is_seen(self) -> Fault:
        source = random.Random(1)
        for capture in self._captures:
            intact = set(self._hear([capture]).named())
            for _ in range(RANDOM_TRIES if capture else 0):
                place = source.randrange(len(capture))
                damaged = bytearray(capture)
                damaged[place] ^= 1 << source.randrange(8)
                if not set(self._hear([bytes(damaged)]).named()) <= intact:
                    return f"With one bit of byte {place} flipped, a capture gives a reading that is not in it"
        return ""

    def survives_breaking(self) -> Fault:
        for capture in self._captures:
            conversation = self._converse()
            heard = _Heard()
            half = len(capture) // 2
            for pieces in ([capture[:half]], [capture], [capture]):
                _talk(conversation, pieces, heard, hang_up=True)
            names = [(r.serial, r.boot, r.reading.n) for r in heard.readings() if not r.repeat and r.reading.n]
            if len(names) != len(set(names)):
                return "A reading that came again after a break was counted twice"
        return ""

    def deadlines_move(self) -> Fault:
        conversation, heard = self._converse(), _Heard()
        _talk(conversation, [], heard)
        ticks = _left_alone(conversation, heard)
        most = SILENCE_S * TICKS_A_SECOND_AT_MOST
        return f"On a silent line it wants more than {most} ticks in {SILENCE_S} s" if ticks > most else ""

    def sends_only_what_is_allowed(self) -> Fault:
        for data in [b"", *self._captures, *_garbage()]:
            conversation, heard = self._converse(), _Heard()
            _talk(conversation, [data] if data else [], heard)
            _left_alone(conversation, heard)
            conversation.halt()
            heard.sent += conversation.outgoing()
            if conversation.outgoing():
                return "It hands the same bytes over twice, or sends after it was halted"
            if not self._may_send(bytes(heard.sent)):
                return f"It sends what is not allowed; in all: {bytes(heard.sent[:160])!r}"
        return ""

    def _converse(self) -> Conversation:
        return self._driver.converse("check:", 10, _nothing_held)

    def _hear(self, pieces: Sequence[bytes]) -> _Heard:
        heard = _Heard()
        _talk(self._converse(), pieces, heard)
        return heard


def _nothing_held(_serial: str, _boot: str) -> int | None:
    return None


def _talk(conversation: Conversation, pieces: Iterable[bytes], heard: _Heard, *, hang_up: bool = False) -> None:
    """Connect and hand over `pieces`; each arrives when its last byte does."""
    heard.happenings.extend(conversation.connected(heard.now_ns))
    heard.sent += conversation.outgoing()
    for piece in pieces:
        heard.now_ns += len(piece) * NS_PER_BYTE
        heard.happenings.extend(conversation.receive(piece, heard.now_ns))
        heard.sent += conversation.outgoing()
    if hang_up:
        heard.happenings.extend(conversation.disconnected(heard.now_ns, "hung up"))


def _left_alone(conversation: Conversation, heard: _Heard) -> int:
    """Tick whenever it is due for `SILENCE_S`, without a byte. How often that was; stops beyond all reason."""
    ticks, end_ns = 0, heard.now_ns + SILENCE_S * NS_PER_S
    while (due_ns := conversation.deadline_ns()) is not None and due_ns <= end_ns:
        heard.now_ns = max(heard.now_ns, due_ns)
        heard.happenings.extend(conversation.tick(heard.now_ns))
        heard.sent += conversation.outgoing()
        ticks += 1
        if ticks > SILENCE_S * TICKS_A_SECOND_AT_MOST:
            break
    return ticks


def _unkept(happenings: Sequence[Happening], data: bytes) -> Fault:
    kept = bytearray()
    for happening in happenings:
        if isinstance(happening, RawBytes):
            if happening.offset != len(kept):
                return f"A RawBytes says offset {happening.offset} after {len(kept)} bytes"
            kept += happening.data
        elif isinstance(happening, Read) and not 0 <= happening.first < happening.last <= len(kept):
            return f"A reading stands at {happening.first} to {happening.last} of {len(kept)} bytes"
    return "" if bytes(kept) == data else f"Of {len(data)} bytes {len(kept)} stand in RawBytes, or others do"


def _ways_to_cut(capture: bytes) -> Iterable[list[bytes]]:
    if len(capture) < 2:
        return
    step = max(1, len(capture) // CUTS_AT_MOST)
    for place in range(1, len(capture), step):
        yield [capture[:place], capture[place:]]
    yield [capture[at : at + 1] for at in range(len(capture))]
    source = random.Random(2)
    for _ in range(RANDOM_TRIES):
        places = sorted(source.sample(range(1, len(capture)), min(9, len(capture) - 1)))
        yield [capture[a:b] for a, b in zip([0, *places], [*places, len(capture)], strict=True)]


def _garbage() -> Iterable[bytes]:
    source = random.Random(3)
    yield from (b"\x00" * 700, b"\xff" * 700, b"@" * 700, b"\n" * 700, source.randbytes(4000))
