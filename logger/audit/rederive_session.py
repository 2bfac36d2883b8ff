"""The lines of one capture session: which driver each had, which meter it spoke for, where that meter's count stood."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from logger.audit.rederive_bodies import Body
from logger.audit.rederive_follow import FollowedLine
from logger.audit.rederive_lapses import Lapses
from logger.audit.rederive_lines import Conversation, Drivers, LineReplay
from logger.audit.rederive_report import Report
from logger.errors import InputWrong
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.recorder.resume import highest_numbers
from logger.text import harmless


class Session:
    """One capture session.

    Attributes:
        opened: the entry that began it; 0 before the first.
        lines: by URL, those on which bytes came so far.
    """

    def __init__(self, opened: int, reader: LogbookReader, drivers: Drivers, report: Report, lapses: Lapses) -> None:
        self.opened = opened
        self.lines: dict[str, FollowedLine] = {}
        self._reader = reader
        self._drivers = drivers
        self._report = report
        self._lapses = lapses
        self._line_of: dict[str, str] = {}
        self._before_it: Mapping[tuple[str, str], int] | None = None
        self._highest: dict[tuple[str, str], int] = {}

    def hold(self, serial: str, boot: str, n: int) -> None:
        """A reading of that count is in the logbook."""
        name = (serial, boot)
        if n > self._highest.get(name, 0):
            self._highest[name] = n

    def keyed(self, serial: str, url: str) -> None:
        """A meter without a data port is at hand: no line may speak for it."""
        self._line_of[serial] = url

    def resume(self, serial: str, boot: str) -> int | None:
        """The highest count that the logbook held of that boot when its meter said who it is, or None."""
        if self._before_it is None:
            self._before_it = highest_numbers(self._reader, self.opened - 1)
        name = (serial, boot)
        return max((n for n in (self._before_it.get(name), self._highest.get(name)) if n is not None), default=None)

    def line(self, url: str, number: int) -> FollowedLine:
        """The line of that URL; a fresh one where nothing came on it before entry `number`."""
        line = self.lines.get(url)
        if line is None:
            driver = self._recorded_driver(url, number)
            replay = LineReplay(url, driver, self._conversation(driver, url), lambda serial: self._claims(url, serial))
            line = self.lines[url] = FollowedLine(replay, self._report, self._lapses, self.resume)
        return line

    def _claims(self, url: str, serial: str) -> bool:
        """Whether the meter of that serial number is on that line, and on no other."""
        holder = self._line_of.get(serial)
        if holder is not None and holder != url:
            return False
        for other in [s for s, at in self._line_of.items() if at == url and s != serial]:
            del self._line_of[other]
        self._line_of[serial] = url
        return True

    def _recorded_driver(self, url: str, number: int) -> str:
        """Name and version of the driver on a line of this session, as its meter's first entry says."""
        for entry in self._reader.entries(number, kinds=(Kind.INSTRUMENT, Kind.OPENED)):
            if entry.kind == Kind.OPENED:
                break
            data = entry.data
            if data.get("line") == url:
                return str(data.get("driver", ""))
        return ""

    def _conversation(self, recorded: str, url: str) -> Conversation | None:
        name = recorded.partition(" ")[0]
        where = f"{harmless(url, 80)} (session of entry {self.opened})"
        try:
            conversation = self._drivers.converse(name, url, lambda serial, boot: self.resume(serial, boot))
            here = self._drivers.version_of(name) if name else ""
        except InputWrong as wrong:
            self._report.cannot_decode(f"The bytes of {where} are not decoded again. {wrong}")
            return None
        if here != recorded:
            theirs, ours = harmless(recorded, 80), harmless(here, 80)
            self._report.cannot_check(f"{where} was recorded with driver {theirs} and decoded again with {ours}.")
        return conversation

    def likely(self, data: Body) -> Iterator[FollowedLine]:
        """The lines that an entry may have come from."""
        lines = self.lines
        url, raw = data.get("line"), data.get("raw")
        if isinstance(url, str):
            yield from [lines[url]] if url in lines else []
        elif len(lines) == 1:
            yield from lines.values()
        else:
            number = raw[-1] if isinstance(raw, list) and raw else None
            own = [line for line in lines.values() if number is not None and line.holds(number)]
            yield from own or [line for line in lines.values() if line.replay.serial == data.get("serial")]
