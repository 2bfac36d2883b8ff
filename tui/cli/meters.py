"""`meters`: what is in reach, with what it says of itself and what is remembered of it. Opens nothing."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivers.links.ble_list import BleMeter
    from drivers.links.serial_list import SerialPort
    from tui.instrument_book import InstrumentBook, Known


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`meters [--json]`."""
    parser = commands.add_parser("meters", help="serial ports and meters in reach")
    parser.add_argument("--json", action="store_true", help="one JSON object: meters, complete, bluetooth")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """List them; 0, whether there are any or not, and whether there is Bluetooth or not."""
    from drivers.links import ble_list
    from drivers.links.serial_list import LIST_LIMIT_S, serial_ports
    from tui.cli.output import complain, emit
    from tui.instrument_book import InstrumentBook

    ports, is_whole = serial_ports()
    if not is_whole:
        complain(
            f"The list of serial ports failed or did not come within {LIST_LIMIT_S:.0f} s, so some may be missing: "
            "unplug or switch off paired devices that do not answer, and try again."
        )
    in_the_air, failure = ble_list.ble_meters()
    if failure is not None:
        complain(str(failure))
    book = InstrumentBook()
    if arguments.json:
        records = [*(_port_record(port, book) for port in ports), *(_air_record(meter, book) for meter in in_the_air)]
        emit({"meters": records, "complete": is_whole, "bluetooth": None if failure is None else str(failure)})
    else:
        _say_all(ports, in_the_air, book)
        if not (ports or in_the_air) and is_whole:
            _say_none(failure is None)
    if book.trouble:
        complain(book.trouble)
    return 0


def _say_all(ports: tuple[SerialPort, ...], in_the_air: tuple[BleMeter, ...], book: InstrumentBook) -> None:
    from logger.clock import SystemClock, local_date
    from logger.text import harmless
    from tui.cli.output import say
    from tui.nearby import known_words, port_words, signal_words

    today = local_date(SystemClock())
    for url, told in (
        *((_port_url(p), port_words(p)) for p in ports),
        *((_air_url(m), f"{m.name or 'says nothing of itself'}, {signal_words(m.rssi_dbm)}") for m in in_the_air),
    ):
        say(f"{harmless(url):<28} {told}")
        known = book.at(url)
        if known is not None:
            say(f"{'':<28} {known_words(known, today)}")


def _say_none(was_listened: bool) -> None:
    from tui.cli.output import say

    air = " and no Bluetooth meter" if was_listened else ""
    say(
        f"No serial port{air} is in reach: plug the meter or its adapter in, or switch it on. "
        "A meter on the network is tcp:HOST:PORT."
    )


def _port_record(port: SerialPort, book: InstrumentBook) -> dict[str, object]:
    return {
        "kind": "serial",
        "url": _port_url(port),
        "says": port.says,
        "maker": port.maker,
        "product": port.product,
        "serial": port.serial,
        "vendor_id": port.vendor_id,
        "product_id": port.product_id,
        "known": _known_record(book.at(_port_url(port))),
    }


def _air_record(meter: BleMeter, book: InstrumentBook) -> dict[str, object]:
    return {
        "kind": "ble",
        "url": _air_url(meter),
        "says": meter.name,
        "rssi_dbm": meter.rssi_dbm,
        "connected": meter.rssi_dbm is None,
        "known": _known_record(book.at(_air_url(meter))),
    }


def _known_record(known: Known | None) -> dict[str, str] | None:
    from dataclasses import asdict

    from logger.text import harmless

    return None if known is None else {name: harmless(text) for name, text in asdict(known).items()}


def _port_url(port: SerialPort) -> str:
    from drivers.address import AddressKind, url_for

    return url_for(AddressKind.SERIAL, port.path)


def _air_url(meter: BleMeter) -> str:
    from drivers.address import AddressKind, url_for

    return url_for(AddressKind.BLE, meter.address)
