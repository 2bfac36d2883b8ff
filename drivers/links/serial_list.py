"""Which serial ports this machine has, and what they say of themselves. Opening one is `serial_port`'s concern.

The listing may hang (a paired Bluetooth port on some systems takes seconds each), so it runs in a thread that is
left behind when its time is up. Whatever a device says of itself is a stranger's text: it comes out of here harmless.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

from logger.text import harmless

LIST_LIMIT_S = 3.0
"""Longest wait for the list, seconds: as long as a person looks at an empty screen without doubting it."""

PORTS_AT_MOST = 256
"""Most ports shown; more is a driver gone wild."""


class PortInfo(Protocol):
    """What is used of pyserial's port description; every field but the name may be missing or None."""

    device: str


@dataclass(frozen=True, slots=True)
class SerialPort:
    """A serial port, in its own words made harmless; empty or None where it says nothing.

    Attributes:
        path: what stands behind `serial:` in a URL, as the system spells it.
        vendor_id, product_id: USB numbers, 0 to 65535.
    """

    path: str
    says: str = ""
    maker: str = ""
    product: str = ""
    serial: str = ""
    vendor_id: int | None = None
    product_id: int | None = None


def installed_ports() -> Iterable[PortInfo]:
    """What pyserial finds, as it finds it. May block for long."""
    from serial.tools.list_ports import comports

    return comports()


def serial_ports(
    limit_s: float = LIST_LIMIT_S, lister: Callable[[], Iterable[PortInfo]] = installed_ports
) -> tuple[tuple[SerialPort, ...], bool]:
    """The ports, sorted, each device once, and whether the list is whole (False: time ran out, or it failed).

    Blocks for at most `limit_s` seconds: call it from a thread where an event loop must go on.
    """
    found: list[SerialPort] = []
    whole = threading.Event()

    def look() -> None:
        with contextlib.suppress(Exception):  # told by `whole` staying unset; a broken driver must not stop the rest
            for info in lister():
                found.append(_described(info))
            whole.set()

    worker = threading.Thread(target=look, name="serial ports", daemon=True)
    worker.start()
    worker.join(limit_s)
    is_whole = whole.is_set()
    return _each_device_once(list(found)), is_whole


def _described(info: PortInfo) -> SerialPort:
    def said(field: str) -> str:
        value = getattr(info, field, None)
        return "" if value is None or value == "n/a" else harmless(str(value))

    def number(field: str) -> int | None:
        value = getattr(info, field, None)
        return value if isinstance(value, int) else None

    return SerialPort(
        path=info.device,
        says=said("description"),
        maker=said("manufacturer"),
        product=said("product"),
        serial=said("serial_number"),
        vendor_id=number("vid"),
        product_id=number("pid"),
    )


def _each_device_once(ports: list[SerialPort]) -> tuple[SerialPort, ...]:
    """Without the second names that links give; the device's own name wins."""
    by_device: dict[str, SerialPort] = {}
    for port in sorted(ports, key=lambda port: port.path):
        device = os.path.realpath(port.path)
        if device not in by_device or port.path == device:
            by_device[device] = port
    return tuple(sorted(by_device.values(), key=lambda port: port.path))[:PORTS_AT_MOST]
