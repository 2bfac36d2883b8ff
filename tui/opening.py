"""Opening a logbook for the screen: a session where it is open, a look where it is closed. Blocks; no Textual."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logger.clock import Clock
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from tui.history import Looking, newest_events
from tui.wiring import Session

if TYPE_CHECKING:
    from drivers.address import Address
    from logger.recorder.event import Event
    from tui.facts import Sitting
    from tui.instrument_book import InstrumentBook
    from tui.pump import Pump


@dataclass(frozen=True, slots=True)
class Opened:
    """A logbook at hand.

    Attributes:
        session: the sitting once more where it records, to be stopped; None where it only looks.
        history: the newest entries as events, for the log lines.
    """

    path: Path
    sitting: Sitting
    session: Session | None
    pump: Pump
    history: tuple[Event, ...]
    urls: tuple[str, ...]


def open_logbook(
    path: Path, addresses: Sequence[Address], clock: Clock, pump: Pump, book: InstrumentBook | None = None
) -> Opened:
    """Begin to record, or to look where the logbook is closed. `book` as in `tui.wiring.Session`.

    Raises:
        LogbookUnusable: no logbook there, or another program writes to it.
        LogbookDamaged: it is damaged.
        InputWrong: a driver that is not installed.
    """
    with LogbookReader.open(path) as reader:
        history = tuple(newest_events(reader))
        if reader.last(Kind.CLOSED, Kind.SEAL) is not None:
            return Opened(path, Looking(reader, clock), None, pump, history, ())
    session = Session(path, addresses, pump.publish, clock, end_on_failure=False, book=book)
    session.start()
    return Opened(path, session, session, pump, history, tuple(address.url for address in addresses))
