"""Frames and happenings as lines of `watch`: for a person, or as JSON. Decides nothing about the meter.

With the Meter Line Protocol a line is a frame; with another driver, whose frames are its own affair, a line is what
the driver made of the bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import singledispatch

from drivers.codecs.meter_line import Frame, Junk, MeterLineCodec, NeedData
from drivers.codecs.meter_words import AnswerEnd, Ask, Halt, Refusal, Run, Unknown, interpret
from logger.clock import Clock, rfc3339
from logger.errors import FrameWrong
from logger.happening import Damaged, Disconnected, Happening, Identified, RawBytes, Read, Told
from logger.reading import Identity, MeterEvent, Range, Reading
from logger.text import harmless
from tui.cli.output import complain, emit, say
from tui.present import figure, volts

WORDS_WIDTH = 64
"""Columns for the decoded words, so that the raw text lines up behind them."""

TAIL_AT_MOST_BYTES = 65_536
"""How many of the newest bytes are kept to show what a happening was read from, where the driver is not ours."""


class Lines:
    """Turns happenings into lines, in order, as they come.

    Args:
        clock: gives each line its time.
        as_json: one object a line, else words.
        is_meter_line: whether the bytes are frames of the Meter Line Protocol.
    """

    def __init__(self, clock: Clock, *, as_json: bool, is_meter_line: bool) -> None:
        self._clock = clock
        self._as_json = as_json
        self._codec = MeterLineCodec() if is_meter_line else None
        self._tail = bytearray()
        self._tail_first = 0

    def show(self, happenings: Sequence[Happening]) -> None:
        """Print what came. Breaks of the line go to standard error."""
        for happening in happenings:
            if isinstance(happening, Disconnected):
                self._broken(happening)
            elif self._codec is None:
                self._foreign(happening)
            elif isinstance(happening, RawBytes):
                self._codec.receive(happening.data)
                self._frames(self._codec)

    def _broken(self, happening: Disconnected) -> None:
        if self._codec is not None:
            rest = self._codec.finish()
            if rest is not None:
                self._junk(rest)
            self._codec = MeterLineCodec()
        complain(f"{harmless(happening.why)}.")

    def _frames(self, codec: MeterLineCodec) -> None:
        while not isinstance(event := codec.next_event(), NeedData):
            if isinstance(event, Junk):
                self._junk(event)
                continue
            try:
                said = words(interpret(event))
            except FrameWrong as wrong:
                self._line(event.type, event.fields, event.raw, wrong.sentence, f"makes no sense: {wrong.sentence}")
            else:
                self._line(event.type, event.fields, event.raw, "", said)

    def _junk(self, junk: Junk) -> None:
        self._line("", {}, junk.data, junk.why, f"damaged: {junk.why}")

    def _foreign(self, happening: Happening) -> None:
        match happening:
            case RawBytes():
                self._tail += happening.data
                surplus = max(0, len(self._tail) - TAIL_AT_MOST_BYTES)
                del self._tail[:surplus]
                self._tail_first = happening.offset + len(happening.data) - len(self._tail)
            case Read():
                fields = {"n": str(happening.reading.n), "v": happening.reading.value.text}
                self._line("reading", fields, self._kept(happening.first, happening.last), "", words(happening.reading))
            case Told():
                raw = self._kept(happening.first, happening.last)
                self._line("event", {"n": str(happening.event.n)}, raw, "", words(happening.event))
            case Damaged():
                raw = self._kept(happening.first, happening.last)
                self._line("", {}, raw, happening.why, f"damaged: {happening.why}")
            case Identified():
                self._line("identity", {"serial": happening.identity.serial}, b"", "", words(happening.identity))

    def _kept(self, first: int, last: int) -> bytes:
        return bytes(self._tail[max(0, first - self._tail_first) : max(0, last - self._tail_first)])

    def _line(self, kind: str, fields: Mapping[str, str], raw: bytes, fault: str, said: str) -> None:
        now = self._clock.utc()
        text = raw.removesuffix(b"\n").removesuffix(b"\r").decode("ascii", "backslashreplace")
        if self._as_json:
            record: dict[str, object] = {"at": rfc3339(now), "type": kind, "fields": dict(fields), "raw": text}
            emit(record | {"ok": not fault} | ({"why": fault} if fault else {}))
        else:
            time = now.astimezone().strftime("%H:%M:%S.%f")[:-3]
            say(f"{time}  {harmless(said):<{WORDS_WIDTH}}  {harmless(text, 4 * len(raw) + 1)}")


@singledispatch
def words(word: object) -> str:
    """What a meter said, in words for a person; not harmless yet."""
    return type(word).__name__.lower()


@words.register
def _(word: Frame) -> str:
    return word.type


@words.register
def _(word: Identity) -> str:
    battery = "" if word.battery_percent is None else f", battery {word.battery_percent} %"
    who = " ".join(part for part in (word.maker, word.model) if part) or "a meter"
    calibrated = f", calibrated until {word.calibrated_until}" if word.calibrated_until else ""
    leads = f", leads {word.leads}" if word.leads else ""
    return f"{who}, serial {word.serial}, boot {word.boot}{battery}{calibrated}{leads}"


@words.register
def _(word: Range) -> str:
    at = f" at {', '.join(word.voltages)} V" if word.voltages else ""
    return f"can measure {word.function} {word.low} to {figure(str(word.high), word.unit)}{at}"


@words.register
def _(word: Reading) -> str:
    shown = figure(word.value.text, word.value.unit, word.value.relation)
    flags = ", ".join(sorted(word.flags))
    measured = f" ({word.output_voltage} V measured)" if word.output_voltage else ""
    return f"{word.n}: {word.function} {shown}{volts(word.voltage)}{measured} {flags}".rstrip()


@words.register
def _(word: MeterEvent) -> str:
    return f"{word.n}: {word.name}{': ' + word.why if word.why else ''}"


@words.register
def _(word: AnswerEnd) -> str:
    return f"end of its answer to {word.of}"


@words.register
def _(word: Refusal) -> str:
    return f"will not do it: {word.why}"


@words.register
def _(word: Unknown) -> str:
    return f"{word.type}: not in this version of the protocol"


@words.register(Ask)
@words.register(Run)
@words.register(Halt)
def _(word: object) -> str:
    return f"{type(word).__name__.lower()}: a command, which no meter sends (an echo?)"
