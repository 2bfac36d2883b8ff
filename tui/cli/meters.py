"""`meters`: what is in reach, with what it says of itself. Opens nothing."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivers.links.serial_list import SerialPort


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`meters [--json]`."""
    parser = commands.add_parser("meters", help="serial ports and meters in reach")
    parser.add_argument("--json", action="store_true", help="one JSON object: meters, complete")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """List them; 0, whether there are any or not."""
    from drivers.links.serial_list import LIST_LIMIT_S, serial_ports
    from tui.cli.output import complain, emit, say

    ports, is_whole = serial_ports()
    if not is_whole:
        complain(
            f"The list of serial ports failed or did not come within {LIST_LIMIT_S:.0f} s, so some may be missing: "
            "unplug or switch off paired devices that do not answer, and try again."
        )
    if arguments.json:
        emit({"meters": [_record(port) for port in ports], "complete": is_whole})
        return 0
    for port in ports:
        say(_line(port))
    if not ports and is_whole:
        say("No serial port is in reach: plug the meter or its adapter in. A meter on the network is tcp:HOST:PORT.")
    return 0


def _record(port: SerialPort) -> dict[str, object]:
    return {
        "kind": "serial",
        "url": _url(port),
        "says": port.says,
        "maker": port.maker,
        "product": port.product,
        "serial": port.serial,
        "vendor_id": port.vendor_id,
        "product_id": port.product_id,
    }


def _line(port: SerialPort) -> str:
    from logger.text import harmless

    ids = (
        f"{port.vendor_id:04x}:{port.product_id:04x}"
        if port.vendor_id is not None and port.product_id is not None
        else ""
    )
    said = [port.maker, port.product or port.says, f"serial {port.serial}" if port.serial else "", ids]
    told = ", ".join(part for part in said if part) or "says nothing of itself"
    return f"{harmless(_url(port)):<28} {told}"


def _url(port: SerialPort) -> str:
    from drivers.address import AddressKind, url_for

    return url_for(AddressKind.SERIAL, port.path)
