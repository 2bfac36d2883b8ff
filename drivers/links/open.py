"""From an address to the link that reaches it. What a link needs is imported only when such a link is wanted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from drivers.address import Address, AddressKind
from drivers.links.base import Link
from logger.clock import Clock
from logger.errors import InputWrong


def look_ahead(address: Address) -> None:
    """Find out what can be known to be wrong before a line is begun, and before anything is written. May block.

    Raises:
        InputWrong: if a capture that is to be replayed cannot be read.
    """
    if address.kind is AddressKind.REPLAY:
        from drivers.links.capture_file import open_capture

        open_capture(Path(address.target)).close()


def link_for(address: Address, clock: Clock) -> Link:
    """A fresh link, not open yet, for one connection. See `links_for` for many to the same meter.

    Raises:
        InputWrong: if no bytes can come from such an address.
    """
    return links_for(address, clock)()


def links_for(address: Address, clock: Clock) -> Callable[[], Link]:
    """What makes a fresh link for each connection, and remembers between them where the meter was found.

    Args:
        address: where to; of any kind but `keyed`.
        clock: stamps what arrives.

    Raises:
        InputWrong: if no bytes can come from such an address.
    """
    match address.kind:
        case AddressKind.SERIAL:
            from drivers.links.serial_place import SerialPlace
            from drivers.links.serial_port import SerialLink

            place = SerialPlace(address.target, clock)
            return lambda: SerialLink(place, address.baud, clock)
        case AddressKind.TCP:
            from drivers.links.tcp import TcpLink

            return lambda: TcpLink(address.host, address.port, clock)
        case AddressKind.REPLAY:
            from drivers.links.replay import ReplayLink

            return lambda: ReplayLink(Path(address.target), clock, address.pace, address.baud)
        case AddressKind.BLE:
            from drivers.links.ble import BleLinks

            return BleLinks(address.target, clock)
        case AddressKind.KEYED:
            raise InputWrong("A keyed meter has no line: it sends nothing", "key what it shows in `zerofirst capture`")
