"""What a frame means, and the frame that says a thing: the vocabulary of the Meter Line Protocol, both ways.

What lives here: the closed lists on the wire and the checks of each field. What does not: frames as bytes
(`meter_line`), who asks whom and when (`drivers.instrument`).

`interpret` takes a frame whose form and check are right. It yields a value, or raises `FrameWrong` with a short phrase
that names the field (never its text, which is a stranger's). What the protocol has no word for is `Unknown`, since
later versions may add to it. An optional field left out and one with nothing behind its `=` mean the same: unsaid.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import Final

from drivers.codecs.meter_line import Frame, encode
from logger.errors import CannotSend, FrameWrong
from logger.quantity import DECIMAL_TEXT, MAX_DIGITS, UNITS, Displayed, Function, Relation, is_decimal
from logger.reading import Flag, Identity, MeterEvent, Range, Reading

PROTOCOL_VERSION: Final = "1"
"""What `proto` says."""

RATE_AT_LEAST: Final = 1
RATE_AT_MOST: Final = 500
"""Readings a second that `run` may ask for."""

ASK_IDENTITY: Final = "id"
ASK_FUNCTIONS: Final = "functions"
ASK_STORED: Final = "stored"
ASKABLE: Final = frozenset({ASK_IDENTITY, ASK_FUNCTIONS, ASK_STORED})
"""All that `ask what=` may ask for."""

FLAG_SETS_KEPT: Final = 64
"""How many texts of `f` are remembered with what they mean: a meter uses a handful, a hostile one is not kept."""

_FUNCTIONS: Final = {function.value: function for function in Function}
_RELATIONS: Final = {relation.value: relation for relation in Relation}
_FLAGS: Final = {flag.value: flag for flag in Flag}
_COUNT: Final = re.compile(r"[0-9]{1,18}", re.ASCII)
_WHOLE_PERCENT: Final = re.compile(r"[0-9]{1,3}", re.ASCII)


@dataclass(frozen=True, slots=True)
class AnswerEnd:
    """`end`: the answer to `ask what=of` is complete."""

    of: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """`err`: the meter will not do what it was told. `why` is its own text."""

    why: str


@dataclass(frozen=True, slots=True)
class Ask:
    """`ask`: `low` and `high` (1 or more, low ≤ high) stand with `stored` only."""

    what: str
    low: int | None = None
    high: int | None = None


@dataclass(frozen=True, slots=True)
class Run:
    """`run`: stream up to `rate` readings a second, 1 to 500."""

    rate: int


@dataclass(frozen=True, slots=True)
class Halt:
    """`halt`: stop streaming."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """A word that is not in this version: a type, or a function, that nobody told us of. Ignored, never wrong.

    Attributes:
        type: the frame's TYPE.
        n: its number where it is an `rd`: the meter counted it, so it is no gap.
    """

    type: str
    n: int | None = None


Word = Identity | Range | Reading | MeterEvent | AnswerEnd | Refusal | Ask | Run | Halt | Unknown


def interpret(frame: Frame) -> Word:
    """What `frame` says.

    Raises:
        FrameWrong: if a field that the type needs is missing, or one it has is not of its kind.
    """
    reader = _READERS.get(frame.type)
    return reader(frame.fields) if reader else Unknown(frame.type)


def _reading(fields: Mapping[str, str]) -> Word:
    n = _number_of(fields)
    function = _FUNCTIONS.get(_needed(fields, "fn"))
    if function is None:
        return Unknown("rd", n)
    relation = _RELATIONS.get(_needed(fields, "r"))
    if relation is None:
        raise FrameWrong("no such relation: r")
    value = Displayed(_decimal(fields, "v"), _unit(fields), relation)
    flags = fields.get("f")
    return Reading(
        n,
        function,
        value,
        _milliseconds(fields),
        fields.get("rg", ""),
        _decimal_or_none(fields, "vt"),
        _decimal_or_none(fields, "vm"),
        _flags(flags) if flags else frozenset(),
        _decimal_or_none(fields, "temp"),
        _decimal_or_none(fields, "xi"),
        _decimal_or_none(fields, "ph"),
        _decimal_or_none(fields, "ir"),
    )


def _event(fields: Mapping[str, str]) -> MeterEvent:
    return MeterEvent(_number_of(fields), _needed(fields, "ev"), _milliseconds(fields), fields.get("why", ""))


def _identity(fields: Mapping[str, str]) -> Identity:
    if fields.get("proto", PROTOCOL_VERSION) != PROTOCOL_VERSION:
        raise FrameWrong("not version 1 of the protocol: proto")
    battery = fields.get("batt", "")
    percent = int(battery) if _WHOLE_PERCENT.fullmatch(battery) else None
    return Identity(
        serial=_needed(fields, "serial"),
        boot=_needed(fields, "boot"),
        maker=fields.get("maker", ""),
        model=fields.get("model", ""),
        firmware=fields.get("fw", ""),
        calibrated_until=fields.get("cal", ""),
        battery_percent=percent if percent is not None and percent <= 100 else None,
        leads=fields.get("leads", ""),
    )


def _range(fields: Mapping[str, str]) -> Word:
    function = _FUNCTIONS.get(_needed(fields, "fn"))
    if function is None:
        return Unknown("fn")
    low, high = Decimal(_decimal(fields, "min")), Decimal(_decimal(fields, "max"))
    if low > high:
        raise FrameWrong("min is above max")
    return Range(
        function,
        fields.get("rg", ""),
        _unit(fields),
        low,
        high,
        _not_negative(fields, "res") or None,  # a resolution of 0 says nothing
        _not_negative(fields, "acc"),
        _not_negative(fields, "dig"),
        _voltages(fields.get("vt", "")),
    )


def _answer_end(fields: Mapping[str, str]) -> AnswerEnd:
    return AnswerEnd(_needed(fields, "of"))


def _refusal(fields: Mapping[str, str]) -> Refusal:
    return Refusal(fields.get("why", ""))


def _ask(fields: Mapping[str, str]) -> Ask:
    what = _needed(fields, "what")
    if what != ASK_STORED:
        return Ask(what)
    low, high = _count(fields, "from"), _count(fields, "to")
    if not 1 <= low <= high:
        raise FrameWrong("not a span from 1 up: from, to")
    return Ask(what, low, high)


def _run(fields: Mapping[str, str]) -> Run:
    rate = _count(fields, "rate")
    if not RATE_AT_LEAST <= rate <= RATE_AT_MOST:
        raise FrameWrong(f"not {RATE_AT_LEAST} to {RATE_AT_MOST}: rate")
    return Run(rate)


def _halt(_fields: Mapping[str, str]) -> Halt:
    return Halt()


_READERS: Final[dict[str, Callable[[Mapping[str, str]], Word]]] = {
    "rd": _reading,
    "ev": _event,
    "id": _identity,
    "fn": _range,
    "end": _answer_end,
    "err": _refusal,
    "ask": _ask,
    "run": _run,
    "halt": _halt,
}


def _needed(fields: Mapping[str, str], name: str) -> str:
    text = fields.get(name)
    if not text:
        raise FrameWrong(f"missing: {name}")
    return text


def _decimal(fields: Mapping[str, str], name: str) -> str:
    text = _needed(fields, name)
    if (len(text) <= MAX_DIGITS and DECIMAL_TEXT.match(text)) or is_decimal(text):
        return text
    raise FrameWrong(f"not a number: {name}")


def _decimal_or_none(fields: Mapping[str, str], name: str) -> str | None:
    return _decimal(fields, name) if fields.get(name) else None


def _not_negative(fields: Mapping[str, str], name: str) -> Decimal | None:
    text = _decimal_or_none(fields, name)
    if text is None:
        return None
    number = Decimal(text)
    if number < 0:
        raise FrameWrong(f"below 0: {name}")
    return number


def _count(fields: Mapping[str, str], name: str) -> int:
    text = _needed(fields, name)
    if not _COUNT.fullmatch(text):
        raise FrameWrong(f"not a whole number: {name}")
    return int(text)


def _number_of(fields: Mapping[str, str]) -> int:
    n = _count(fields, "n")
    if n < 1:
        raise FrameWrong("below 1: n")
    return n


def _milliseconds(fields: Mapping[str, str]) -> int | None:
    return _count(fields, "t") if fields.get("t") else None


def _unit(fields: Mapping[str, str]) -> str:
    code = _needed(fields, "u")
    if code not in UNITS:
        raise FrameWrong("no such unit: u")
    return code


def _voltages(text: str) -> tuple[str, ...]:
    voltages = tuple(text.split(",")) if text else ()
    if not all(map(is_decimal, voltages)):
        raise FrameWrong("not numbers: vt")
    return voltages


@lru_cache(maxsize=FLAG_SETS_KEPT)
def _flags(text: str) -> frozenset[Flag]:
    return frozenset(_FLAGS[word] for word in text.split(",") if word in _FLAGS)


def identity_frame(identity: Identity) -> bytes:
    """`id`. Raises `CannotSend` if it does not fit into a frame, as all of the following do."""
    battery = identity.battery_percent
    fields = {
        "maker": identity.maker,
        "model": identity.model,
        "serial": identity.serial,
        "fw": identity.firmware,
        "boot": identity.boot,
        "cal": identity.calibrated_until,
        "batt": "" if battery is None else str(battery),
        "leads": identity.leads,
    }
    return encode("id", {"proto": PROTOCOL_VERSION, **_said(fields)})


def range_frame(announced: Range) -> bytes:
    """`fn`: one function and range."""
    fields = {
        "fn": announced.function.value,
        "rg": announced.mark,
        "u": announced.unit,
        "min": _plain(announced.low),
        "max": _plain(announced.high),
        "res": _plain(announced.resolution),
        "acc": _plain(announced.percent),
        "dig": _plain(announced.digits),
        "vt": ",".join(announced.voltages),
    }
    return encode("fn", _said(fields))


def reading_frame(reading: Reading) -> bytes:
    """`rd`. Raises `CannotSend` also for a figure that is no decimal (the `inf` of a reading keyed by hand)."""
    if not is_decimal(reading.value.text):
        raise CannotSend("A figure that is no decimal cannot be sent")
    fields = {
        "n": str(reading.n),
        "t": "" if reading.meter_ms is None else str(reading.meter_ms),
        "fn": reading.function.value,
        "rg": reading.range_mark,
        "r": reading.value.relation.value,
        "v": reading.value.text,
        "u": reading.value.unit,
        "vt": reading.voltage,
        "vm": reading.output_voltage,
        "f": ",".join(flag.value for flag in Flag if flag in reading.flags),
        "temp": reading.temperature,
        "xi": reading.multiple,
        "ph": reading.phase,
        "ir": reading.rated,
    }
    return encode("rd", _said(fields))


def event_frame(event: MeterEvent) -> bytes:
    """`ev`: something that happened to the meter."""
    time = "" if event.meter_ms is None else str(event.meter_ms)
    return encode("ev", _said({"n": str(event.n), "t": time, "ev": event.name, "why": event.why}))


def end_frame(of: str) -> bytes:
    """`end`: the answer to `ask what=of` is complete."""
    return encode("end", {"of": of})


def refusal_frame(why: str) -> bytes:
    """`err`: the meter will not do it."""
    return encode("err", {"why": why})


def ask_frame(what: str, low: int | None = None, high: int | None = None) -> bytes:
    """`ask`: `low` and `high` (1 or more, low ≤ high) go with `stored` and with nothing else.

    Raises:
        CannotSend: for any other question.
    """
    if what == ASK_STORED and low is not None and high is not None and 1 <= low <= high:
        return encode("ask", {"what": what, "from": str(low), "to": str(high)})
    if what not in ASKABLE or what == ASK_STORED or (low, high) != (None, None):
        raise CannotSend("The protocol has no such question")
    return encode("ask", {"what": what})


def run_frame(rate: int) -> bytes:
    """`run`: up to `rate` readings a second. Raises `CannotSend` outside 1 to 500."""
    if not RATE_AT_LEAST <= rate <= RATE_AT_MOST:
        raise CannotSend(f"A rate of {rate} readings a second cannot be asked for", "ask for 1 to 500")
    return encode("run", {"rate": str(rate)})


def halt_frame() -> bytes:
    """`halt`: stop streaming."""
    return encode("halt", {})


def _said(fields: Mapping[str, str | None]) -> dict[str, str]:
    return {name: text for name, text in fields.items() if text}


def _plain(number: Decimal | None) -> str:
    return "" if number is None else format(number, "f")
