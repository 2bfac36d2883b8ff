"""A search for meters whose ports and air are the test's own."""

from __future__ import annotations

import threading
from datetime import date
from pathlib import Path

from drivers.links.ble_list import BleMeter
from drivers.links.serial_list import SerialPort
from logger.errors import LinkFailed
from tui.instrument_book import InstrumentBook
from tui.meter_search import Hear, MeterSearch

TODAY = date(2027, 3, 1)


class Neighbourhood:
    """What there is to find; changed by a test while a search goes on."""

    def __init__(self) -> None:
        self.ports: tuple[SerialPort, ...] = ()
        self.is_whole = True
        self.failure: LinkFailed | None = None
        self.meters: tuple[BleMeter, ...] = ()
        self.listens = 0
        self._turn = threading.Semaphore(0)
        self._searches: list[MeterSearch] = []

    def list_ports(self) -> tuple[tuple[SerialPort, ...], bool]:
        return self.ports, self.is_whole

    def listen(self, _limit_s: float, hear: Hear) -> tuple[tuple[BleMeter, ...], LinkFailed | None]:
        """One round: it lasts until the test lets it end."""
        self.listens += 1
        for meter in self.meters:
            hear(meter)
        if self.failure is None:
            self._turn.acquire(timeout=20)
        return self.meters, self.failure

    def end_round(self) -> None:
        self._turn.release()

    def search(self, book: Path) -> MeterSearch:
        self._searches.append(MeterSearch(TODAY, InstrumentBook(book), self.list_ports, self.listen))
        return self._searches[-1]

    def close(self) -> None:
        """Every search is over."""
        for search in self._searches:
            search.stop()
            self.end_round()
