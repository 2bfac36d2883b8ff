"""Looks for meters for as long as somebody watches: serial ports again and again, Bluetooth all the time.

Two threads of its own, since both may block for seconds; the screen asks `now` what was found so far. Whatever a device
says of itself is a stranger's text, and comes out of here harmless. No Textual.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from drivers.address import AddressKind, url_for
from drivers.links.serial_list import SerialPort, serial_ports
from logger.text import harmless
from tui.instrument_book import InstrumentBook, Known, place_of
from tui.nearby import known_words, port_words, signal_words

if TYPE_CHECKING:
    from drivers.links.ble_list import BleMeter
    from logger.errors import LinkFailed

PORTS_EVERY_S: Final = 2.0
"""Pause between two looks at the ports, seconds: an adapter that is plugged in appears while one watches."""

LISTEN_ROUND_S: Final = 4.0
"""How long one round of listening lasts, seconds: meters advertise every second or two."""

ROUNDS_MISSED: Final = 2
"""After how many rounds without a word a Bluetooth meter is taken off the list, a count."""

AIR_AGAIN_S: Final = 3.0
"""Pause after Bluetooth failed before it is tried again, seconds: it may be switched on meanwhile."""

UNKNOWN: Final = "not met on this machine before"

Hear = Callable[["BleMeter"], object]
ListPorts = Callable[[], tuple[tuple[SerialPort, ...], bool]]
Listen = Callable[[float, Hear], tuple[tuple["BleMeter", ...], "LinkFailed | None"]]


@dataclass(frozen=True, slots=True)
class Found:
    """A place where a meter may be.

    Attributes:
        url: what to record from.
        words: what it says of itself now, with its signal.
        memory: what is remembered of the meter that was there last; empty if none was.
    """

    url: str
    words: str
    memory: str = ""


@dataclass(frozen=True, slots=True)
class Nearby:
    """What was found so far, in the order in which it was found, and what is worth saying of the search.

    Attributes:
        notes: a sentence each: Bluetooth is not to be had, a port did not answer, the book cannot be read.
        settled: both searches have come to a first end, so that an empty list means something.
    """

    found: tuple[Found, ...] = ()
    notes: tuple[str, ...] = ()
    settled: bool = False


class MeterSearch:
    """A search, from `start` to `stop`. `now` may be called from any thread.

    Args:
        today: to tell whether a calibration has ended.
        book: what is remembered.
        ports, listen: what looks; the machine's own where not given.
    """

    def __init__(
        self, today: date, book: InstrumentBook, ports: ListPorts = serial_ports, listen: Listen | None = None
    ) -> None:
        self._today = today
        self._book = book
        self._list_ports = ports
        self._listen = listen or _listen
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._known: dict[str, Known] = {}
        self._ports: dict[str, str] = {}
        self._air: dict[str, str] = {}
        self._heard: dict[str, int] = {}
        self._round = 0
        self._notes: dict[str, str] = {}
        self._looked: set[str] = set()

    def start(self) -> None:
        """Begin to look."""
        for work, name in ((self._look_at_ports, "looking at ports"), (self._listen_on, "listening for meters")):
            threading.Thread(target=work, name=name, daemon=True).start()

    def stop(self) -> None:
        """Look no further. What is under way ends by itself, within a few seconds, and is not waited for."""
        self._over.set()

    def now(self) -> Nearby:
        """What was found so far."""
        with self._lock:
            air = [Found(url, words, self._memory(url) or UNKNOWN) for url, words in self._air.items()]
            ports = [Found(url, words, self._memory(url)) for url, words in self._ports.items()]
            return Nearby((*air, *ports), tuple(self._notes.values()), len(self._looked) == len(("air", "ports")))

    def _remember(self) -> None:
        """Read the book anew: a recording beside this one may have met a meter."""
        known = {known.url: known for known in self._book.known() if known.url}
        with self._lock:
            self._known = known
            self._note("book", self._book.trouble)

    def _note(self, what: str, sentence: str) -> None:
        if sentence:
            self._notes[what] = sentence
        else:
            self._notes.pop(what, None)

    # -- serial ports -----------------------------------------------------------------------------------------------

    def _look_at_ports(self) -> None:
        while not self._over.is_set():
            self._remember()
            ports, is_whole = self._list_ports()
            with self._lock:
                self._ports = {url_for(AddressKind.SERIAL, port.path): harmless(port_words(port)) for port in ports}
                whole = "" if is_whole else "The list of ports may not be whole: a port did not answer in time."
                self._note("ports", whole)
                self._looked.add("ports")
            self._over.wait(PORTS_EVERY_S)

    # -- Bluetooth --------------------------------------------------------------------------------------------------

    def _listen_on(self) -> None:
        while not self._over.is_set():
            _, failure = self._listen(LISTEN_ROUND_S, self._hear)
            with self._lock:
                self._end_round(failure)
            if failure is not None:
                self._over.wait(AIR_AGAIN_S)

    def _hear(self, meter: BleMeter) -> None:
        """On the Bluetooth thread, for each meter that is heard and whenever its name or signal changed."""
        url = url_for(AddressKind.BLE, meter.address)
        name = meter.name or "says nothing of itself"
        with self._lock:
            self._heard[url] = self._round
            self._air[url] = f"{name}, {signal_words(meter.rssi_dbm)}"

    def _end_round(self, failure: LinkFailed | None) -> None:
        self._note("air", "" if failure is None else str(failure))
        self._looked.add("air")
        gone = [url for url, heard in self._heard.items() if self._round - heard >= ROUNDS_MISSED - 1]
        self._round += 1
        for url in gone:
            del self._air[url], self._heard[url]

    def _memory(self, url: str) -> str:
        known = self._known.get(place_of(url))
        return "" if known is None else known_words(known, self._today)


def _listen(limit_s: float, hear: Hear) -> tuple[tuple[BleMeter, ...], LinkFailed | None]:
    from drivers.links.ble_list import ble_meters

    return ble_meters(limit_s, hear)
