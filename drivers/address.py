"""Instrument URLs: text to `Address`, or one sentence with an example. Here lives the grammar; opening does not.

    KIND:TARGET[?NAME=VALUE[&NAME=VALUE]…]

TARGET and VALUE are percent-decoded (UTF-8); a `%` that is followed by no two hex digits stands for itself. TARGET
is whatever stands before the first `?`, so a Windows path may stand there as it is, and a `?` inside a name is `%3F`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from types import MappingProxyType
from typing import Final
from urllib.parse import unquote

from logger.errors import AddressWrong
from logger.text import harmless

DEFAULT_DRIVER: Final = "meter-line"
DEFAULT_RATE: Final = 10
"""Readings a second asked of a meter unless the URL says otherwise (interface, section 2)."""

RATE_AT_MOST: Final = 500
"""Most readings a second that can be asked for (protocol, section 3)."""

DEFAULT_BAUD: Final = 115_200
"""Bits a second of a serial line unless told otherwise (protocol, section 5)."""

BAUD_AT_LEAST, BAUD_AT_MOST = 50, 12_000_000
"""Slowest and fastest line that a serial adapter is known to run, bits a second."""

PACE_AT_MOST: Final = 1000
"""Fastest paced replay, times its own pace; beyond it, leave the pace out."""

URL_CHARACTERS_AT_MOST: Final = 1024
"""Longest URL, characters: the longest path that people name, and its options."""


class AddressKind(StrEnum):
    """How a meter is reached."""

    SERIAL = "serial"
    TCP = "tcp"
    BLE = "ble"
    REPLAY = "replay"
    KEYED = "keyed"
    """Not at all: the operator keys what it shows."""


EXAMPLES: Final = {
    AddressKind.SERIAL: "serial:/dev/ttyUSB0 or serial:COM5?baud=9600",
    AddressKind.TCP: "tcp:127.0.0.1:4000 or tcp:[::1]:4000",
    AddressKind.BLE: "ble:AA:BB:CC:DD:EE:FF or ble:NAME",
    AddressKind.REPLAY: "replay:capture.jsonl",
    AddressKind.KEYED: "keyed:?serial=0417&model=Dial",
}
"""What to write, by kind; shown with every complaint."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where a meter is and how to talk to it. Made by `parse`, so everything in it has been checked.

    Attributes:
        target: port, `host:port`, Bluetooth address or name, file; decoded; empty for a keyed meter.
        options: as written, decoded; only names that its kind has.
        url: as the operator gave it; the key of the line on every happening.
    """

    kind: AddressKind
    target: str
    options: Mapping[str, str] = field(hash=False)
    url: str

    @property
    def driver(self) -> str:
        """Name of the driver."""
        return self.options.get("driver", DEFAULT_DRIVER)

    @property
    def rate(self) -> int:
        """Readings a second to ask for, 1 to 500."""
        return int(self.options.get("rate", DEFAULT_RATE))

    @property
    def baud(self) -> int:
        """Bits a second of a serial line, and of a paced replay of plain bytes."""
        return int(self.options.get("baud", DEFAULT_BAUD))

    @property
    def pace(self) -> float:
        """How fast a replay runs, times its own pace; 0 means at once."""
        return float(self.options.get("pace", 0))

    @property
    def host(self) -> str:
        """Host name or address of a TCP meter, without brackets."""
        return self.target.rpartition(":")[0].removeprefix("[").removesuffix("]")

    @property
    def port(self) -> int:
        """Port of a TCP meter, 1 to 65535."""
        return int(self.target.rpartition(":")[2])


def parse(url: str) -> Address:
    """The address that `url` names.

    Raises:
        AddressWrong: if it cannot be read; the sentence says what is wrong, the remedy shows an example.
    """
    text = url.strip()
    if len(text) > URL_CHARACTERS_AT_MOST:
        raise AddressWrong(f"An instrument URL has at most {URL_CHARACTERS_AT_MOST} characters", _write_one())
    scheme, colon, rest = text.partition(":")
    kind = _kind(scheme, colon, text)
    written_target, _, query = rest.partition("?")
    target = _CHECK_TARGET[kind](_decoded(_without_slashes(kind, written_target), text), text)
    options = _options(kind, query, text)
    return Address(kind, target, MappingProxyType(options), text)


def url_for(kind: AddressKind, target: str) -> str:
    """The URL that `parse` reads as `kind` and `target`, for a target of printable characters."""
    return f"{kind}:{target.replace('%', '%25').replace('?', '%3F')}"


def _kind(scheme: str, colon: str, url: str) -> AddressKind:
    name = scheme.lower()
    if colon and name in list(AddressKind):
        return AddressKind(name)
    if url.startswith("/dev/") or re.fullmatch(r"(?i)com\d+", url):
        raise AddressWrong(f"{harmless(url)} is no instrument URL", f"write serial:{harmless(url)}")
    raise AddressWrong(f"{harmless(url) or 'An empty text'} is no instrument URL", _write_one())


def _write_one() -> str:
    return "write one like " + ", ".join(example.partition(" or ")[0] for example in EXAMPLES.values())


def _wrong(kind: AddressKind, url: str, why: str) -> AddressWrong:
    return AddressWrong(f"{harmless(url)} {why}", f"write it like {EXAMPLES[kind]}")


def _without_slashes(kind: AddressKind, target: str) -> str:
    """Many write `tcp://host:1` and `serial:///dev/x`, as in a browser."""
    if kind is AddressKind.TCP:
        return target.removeprefix("//")
    return target[2:] if target.startswith("///") else target


def _decoded(text: str, url: str) -> str:
    try:
        decoded = unquote(text, errors="strict")
    except UnicodeDecodeError as error:
        raise AddressWrong(f"{harmless(url)} holds %-codes that are no UTF-8 text", "encode its name anew") from error
    if any(unicodedata.category(character) in {"Cc", "Cs"} for character in decoded):
        raise AddressWrong(f"{harmless(url)} holds control characters", "leave them out")
    return decoded


def _some_target(kind: AddressKind, what: str) -> Callable[[str, str], str]:
    def check(target: str, url: str) -> str:
        if not target:
            raise _wrong(kind, url, f"names no {what}")
        return target

    return check


def _host_and_port(target: str, url: str) -> str:
    host, colon, port = target.rpartition(":")
    bracketed = host.startswith("[") and host.endswith("]") and len(host) > 2
    if not colon or not host or (("[" in host or "]" in host) and not bracketed):
        raise _wrong(AddressKind.TCP, url, "names no host and port")
    if ":" in host and not bracketed:
        raise _wrong(AddressKind.TCP, url, "has a host with colons, which needs brackets")
    if any(character.isspace() or character in "/@" for character in host):
        raise _wrong(AddressKind.TCP, url, "has a host that is no name or address")
    if not _is_whole_number(port, 1, 65535):
        raise _wrong(AddressKind.TCP, url, "has a port that is no number from 1 to 65535")
    return target


def _no_target(target: str, url: str) -> str:
    if target:
        raise _wrong(AddressKind.KEYED, url, "says what the meter is before the `?`, where nothing belongs")
    return target


_CHECK_TARGET: Final[dict[AddressKind, Callable[[str, str], str]]] = {
    AddressKind.SERIAL: _some_target(AddressKind.SERIAL, "port"),
    AddressKind.TCP: _host_and_port,
    AddressKind.BLE: _some_target(AddressKind.BLE, "meter"),
    AddressKind.REPLAY: _some_target(AddressKind.REPLAY, "file"),
    AddressKind.KEYED: _no_target,
}


def _is_whole_number(text: str, low: int, high: int) -> bool:
    return re.fullmatch(r"[0-9]{1,9}", text) is not None and low <= int(text) <= high


def _is_pace(text: str) -> bool:
    return re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,6})?", text) is not None and float(text) <= PACE_AT_MOST


def _is_date(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


_ANY: Final = (bool, "some text")
_DRIVER: Final = (lambda text: re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", text) is not None, "the name of a driver")
_RATE: Final = (lambda text: _is_whole_number(text, 1, RATE_AT_MOST), f"a whole number from 1 to {RATE_AT_MOST}")
_BAUD: Final = (
    lambda text: _is_whole_number(text, BAUD_AT_LEAST, BAUD_AT_MOST),
    f"a whole number from {BAUD_AT_LEAST} to {BAUD_AT_MOST}",
)
_PACE: Final = (_is_pace, f"a number from 0 (at once) to {PACE_AT_MOST}, such as 1")
_DATE: Final = (_is_date, "a date such as 2027-03-14")

_OPTIONS: Final[dict[AddressKind, dict[str, tuple[Callable[[str], bool], str]]]] = {
    AddressKind.SERIAL: {"driver": _DRIVER, "rate": _RATE, "baud": _BAUD},
    AddressKind.TCP: {"driver": _DRIVER, "rate": _RATE},
    AddressKind.BLE: {"driver": _DRIVER, "rate": _RATE},
    AddressKind.REPLAY: {"driver": _DRIVER, "rate": _RATE, "baud": _BAUD, "pace": _PACE},
    AddressKind.KEYED: {"serial": _ANY, "maker": _ANY, "model": _ANY, "cal": _DATE},
}
"""The options of each kind: what a value must be, as a test and in words."""


def _options(kind: AddressKind, query: str, url: str) -> dict[str, str]:
    options: dict[str, str] = {}
    for pair in filter(None, query.split("&")):
        name, _, written_value = pair.partition("=")
        value = _decoded(written_value, url)
        if name not in _OPTIONS[kind]:
            possible = ", ".join(_OPTIONS[kind])
            raise AddressWrong(f"{kind}: has no option {harmless(name)!r} in {harmless(url)}", f"it has {possible}")
        if name in options:
            raise AddressWrong(f"{harmless(url)} gives {name} twice", "leave one out")
        fits, what_it_must_be = _OPTIONS[kind][name]
        if not fits(value):
            raise AddressWrong(f"{name}={harmless(value)} in {harmless(url)} cannot be", f"write {what_it_must_be}")
        options[name] = value
    return options
