"""What a Bluetooth meter offers: the numbers of its services, and what the standard ones say of it. No radio here.

The meter's bytes travel through its own service (Meter Line Protocol, section 5); who it is stands a second time in
the standard Device Information and Battery services, which any Bluetooth program can read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from logger.reading import Identity
from logger.text import harmless

_TAIL: Final = "-6f3b-4c0e-9a57-2b1f4e7a9c10"
_STANDARD_TAIL: Final = "-0000-1000-8000-00805f9b34fb"

METER_SERVICE: Final = f"8d5e0001{_TAIL}"
FROM_METER: Final = f"8d5e0002{_TAIL}"
"""Notifies the meter's bytes."""
TO_METER: Final = f"8d5e0003{_TAIL}"
"""Takes the host's bytes, written with response."""

DEVICE_INFORMATION: Final = f"0000180a{_STANDARD_TAIL}"
MAKER: Final = f"00002a29{_STANDARD_TAIL}"
MODEL: Final = f"00002a24{_STANDARD_TAIL}"
SERIAL_NUMBER: Final = f"00002a25{_STANDARD_TAIL}"
FIRMWARE: Final = f"00002a26{_STANDARD_TAIL}"
BATTERY: Final = f"0000180f{_STANDARD_TAIL}"
BATTERY_LEVEL: Final = f"00002a19{_STANDARD_TAIL}"

ATT_HEADER_BYTES: Final = 3
"""What the attribute protocol takes off each packet (MTU), bytes; a notification or write carries the rest."""

LEAST_MTU: Final = 23
"""Bytes that every Bluetooth LE link carries in one packet."""

TEXT_AT_MOST: Final = 64
"""Longest text kept of a standard service, characters; it is there to be compared and shown."""

BATTERY_APART_AT_MOST: Final = 10
"""How far two figures for one battery may lie apart, percentage points: they are not read at the same moment."""

_ADDRESS = re.compile(r"(?:[0-9A-F]{2}[:-]){5}[0-9A-F]{2}", re.IGNORECASE)
_HANDLE = re.compile(r"[0-9A-F]{8}(?:-[0-9A-F]{4}){3}-[0-9A-F]{12}", re.IGNORECASE)


def as_address(target: str) -> str | None:
    """The Bluetooth address that `target` is, spelt as the system spells it (macOS: its own handle for the meter);
    None if it is a name."""
    if _ADDRESS.fullmatch(target):
        return target.upper().replace("-", ":")
    return target.upper() if _HANDLE.fullmatch(target) else None


@dataclass(frozen=True, slots=True)
class DeviceSays:
    """What the standard services say; empty or None where they do not. A stranger's text, not harmless yet."""

    serial: str = ""
    maker: str = ""
    model: str = ""
    firmware: str = ""
    battery_percent: int | None = None


def text_of(value: bytes) -> str:
    """The text in a characteristic of the Device Information service."""
    return value[: 4 * TEXT_AT_MOST].decode("utf-8", "replace").rstrip("\0").strip()[:TEXT_AT_MOST]


def percent_of(value: bytes) -> int | None:
    """The battery level, 0 to 100; None if that is not what it says."""
    return value[0] if len(value) == 1 and value[0] <= 100 else None


def differences(says: DeviceSays, identity: Identity) -> str:
    """In one phrase, where the standard services and the meter's own `id` do not agree; empty where they do.

    What either does not say is no difference.
    """
    pairs = (
        ("serial number", says.serial, identity.serial),
        ("maker", says.maker, identity.maker),
        ("model", says.model, identity.model),
        ("firmware", says.firmware, identity.firmware),
    )
    apart = [f"{what} {harmless(a)} against {harmless(b)}" for what, a, b in pairs if a and b and a != b[:TEXT_AT_MOST]]
    levels = (says.battery_percent, identity.battery_percent)
    if levels[0] is not None and levels[1] is not None and abs(levels[0] - levels[1]) > BATTERY_APART_AT_MOST:
        apart.append(f"battery {levels[0]} % against {levels[1]} %")
    return ", ".join(apart)
