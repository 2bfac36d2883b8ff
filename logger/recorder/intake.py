"""Happenings in: raw bytes, readings, events and the comings and goings of a line become entries.

A reading is tagged with the present selection, screened, and written whether it counts or not. Bytes that came
together are written as one raw entry with the time of each chunk, before what was read out of them.
"""

from __future__ import annotations

import base64
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from logger.bodies import Selection, range_body
from logger.clock import NS_PER_MS
from logger.happening import (
    Damaged,
    Disconnected,
    Ended,
    Filled,
    Gap,
    Happening,
    Identified,
    Lost,
    RawBytes,
    Read,
    Ready,
    Reconnected,
    Told,
)
from logger.logbook.entries import Kind
from logger.proof import Lapse, ProofKey
from logger.reading import Flag, Identity, Occurrence, Origin, Range, Reading
from logger.recorder.book import Book
from logger.recorder.checks import Checks
from logger.screening import Reason, Situation, screen

RAW_ENTRIES_REMEMBERED: Final = 64
"""How many raw entries a line keeps in mind to find a frame's own bytes; one frame spans far fewer."""


REPLAY_LINE: Final = "replay:"
"""How the URL of a recorded line begins: what comes from it is told apart for ever from what a meter sends now."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """The newest accepted reading under the present selection: what `take` takes.

    Attributes:
        entry: number of its `reading` entry.
        measured_ns: when it was measured, on the host's monotonic clock.
        carrier: the proof that let it count.
    """

    entry: int
    serial: str
    reading: Reading
    ranges: tuple[Range, ...]
    measured_ns: int
    carrier: ProofKey
    order: tuple[int, int]


@dataclass(slots=True)
class Line:
    """What is known of one line in this session."""

    serial: str | None = None
    driver: str = ""
    raw: deque[tuple[int, int, int]] = field(default_factory=lambda: deque(maxlen=RAW_ENTRIES_REMEMBERED))
    boots: int = 0
    zero_ns: int | None = None
    """Host time minus meter time of the last reading sent as it was made: places stored readings in time."""
    last_n: int = 0
    last_selection: int | None = None


class Intake:
    """Takes happenings in. One for a capture session."""

    def __init__(self, book: Book, checks: Checks, drivers: Mapping[str, str]) -> None:
        self._book = book
        self._checks = checks
        self._drivers = drivers
        self.lines: dict[str, Line] = {}
        self.candidate: Candidate | None = None

    def take_in(self, happenings: Sequence[Happening]) -> None:
        """Write what came, in order."""
        raw = _raw_runs(happenings)
        for position, happening in enumerate(happenings):
            line = self.lines.setdefault(happening.line, Line(driver=self._drivers.get(happening.line, "")))
            if isinstance(happening, RawBytes):
                if position in raw:
                    self._raw(line, raw[position])
            else:
                _TAKERS[type(happening)](self, line, happening)

    def _raw(self, line: Line, chunks: list[RawBytes]) -> None:
        data = b"".join(chunk.data for chunk in chunks)
        first = chunks[0]
        body: dict[str, Any] = {
            "line": first.line,
            "serial": line.serial,
            "offset": first.offset,
            "mono_ns": first.mono_ns,
            "data": base64.b64encode(data).decode("ascii"),
        }
        if len(chunks) > 1:
            body["chunks"] = [[chunk.mono_ns, len(chunk.data)] for chunk in chunks]
        entry = self._book.write(Kind.RAW, body)
        line.raw.append((entry, first.offset, first.offset + len(data)))

    @staticmethod
    def _source(line: Line, first: int, last: int) -> list[int]:
        """The raw entries that hold bytes `first` to `last` of the line: the first and the last of them."""
        newest = oldest = 0
        for entry, start, end in reversed(line.raw):  # nearly always the newest alone
            if start < last and end > first:
                newest, oldest = newest or entry, entry
            if start <= first:
                break
        return [oldest, newest] if newest else []

    def _identified(self, line: Line, happening: Identified) -> None:
        identity = happening.identity
        known = self._book.state.meters.get(identity.serial)
        same_boot = known is not None and known.boot == identity.boot
        leads_differ = known is not None and bool(known.leads) and known.leads != identity.leads
        line.serial = identity.serial
        if not same_boot:
            line.zero_ns, line.last_n = None, 0
        line.boots += 1
        self._book.write(Kind.INSTRUMENT, self._instrument_body(line, happening.line, identity))
        if known is not None and not same_boot:
            self._checks.lapse(identity.serial, Lapse.NEW_BOOT)
        elif leads_differ:
            self._checks.lapse(identity.serial, Lapse.LEADS_CHANGED)

    def _instrument_body(self, line: Line, url: str, identity: Identity) -> dict[str, Any]:
        return {
            "serial": identity.serial,
            "boot": identity.boot,
            "maker": identity.maker,
            "model": identity.model,
            "firmware": identity.firmware,
            "calibrated_until": identity.calibrated_until,
            "battery_percent": identity.battery_percent,
            "leads": identity.leads,
            "line": url,
            "driver": line.driver,
        }

    def _ready(self, line: Line, happening: Ready) -> None:
        body = self._instrument_body(line, happening.line, happening.identity)
        body["functions"] = [range_body(each) for each in happening.ranges]
        self._book.record(Kind.INSTRUMENT, "ready", body)

    def _read(self, line: Line, happening: Read) -> None:
        if happening.line.startswith(REPLAY_LINE):
            happening = replace(happening, reading=replace(happening.reading, origin=Origin.REPLAY))
        reading = happening.reading
        selection = self._selection_for(line, happening)
        self._take_reading(line, happening, selection, None)
        if not happening.repeat and Flag.STORED not in reading.flags and reading.meter_ms is not None:
            line.zero_ns = happening.mono_ns - reading.meter_ms * NS_PER_MS
        if reading.n > line.last_n:
            line.last_n = reading.n
            line.last_selection = self._book.state.selection.entry if self._book.state.selection else None

    def _selection_for(self, line: Line, happening: Read) -> Selection | None:
        """The selection under which a reading was made.

        One that is sent late (from memory, or filling a gap) belongs to a selection only if that stood both when the
        one before it came and now.
        """
        selection = self._book.state.selection
        if selection is None or (selection.meter is not None and selection.meter != happening.serial):
            return None
        late = Flag.STORED in happening.reading.flags or happening.reading.n < line.last_n
        if late and line.last_selection != selection.entry:
            return None
        return selection

    def _take_reading(self, line: Line, happening: Read, selection: Selection | None, step_id: object) -> None:
        reading, serial = happening.reading, happening.serial
        meter = self._book.state.meters.get(serial)
        ranges = meter.ranges if meter else ()
        standing, carrier = self._checks.standing(serial, reading)
        checking = self._checks.wants(serial, reading, happening.repeat)
        wanted = selection.wanted if selection is not None and not checking else None
        situation = Situation(
            repeat=happening.repeat,
            meter_fault=bool(meter and meter.fault),
            battery_low=bool(meter and meter.battery_low),
            standing=standing,
            wanted=wanted,
            ranges=ranges,
        )
        reasons = screen(reading, situation)
        chosen = selection if wanted is not None else None
        body = reading_body(happening, reasons, chosen, self._source(line, happening.first, happening.last))
        if checking:
            body["check"] = self._checks.point
        entry = self._book.record(Kind.READING, "reading", body, step_id)
        measured_ns = self._measured_ns(line, happening)
        if checking:
            self._checks.take(entry, reading)
        elif not reasons and carrier is not None:
            self._offer(Candidate(entry, serial, reading, ranges, measured_ns, carrier, (line.boots, reading.n)))

    def _measured_ns(self, line: Line, happening: Read) -> int:
        stored = Flag.STORED in happening.reading.flags
        if stored and line.zero_ns is not None and happening.reading.meter_ms is not None:
            return min(happening.mono_ns, line.zero_ns + happening.reading.meter_ms * NS_PER_MS)
        return happening.mono_ns

    def _offer(self, candidate: Candidate) -> None:
        held = self.candidate
        if held is None or held.serial != candidate.serial or candidate.order >= held.order:
            self.candidate = candidate

    def keyed(self, happening: Read, step_id: object) -> None:
        """A reading that the operator keyed: the same way as any other."""
        line = self.lines[happening.line]
        self._take_reading(line, happening, self._book.state.selection, step_id)

    def keyed_meter(self, url: str, identity: Identity) -> None:
        """A meter without a data port is at hand."""
        line = self.lines.setdefault(url, Line(driver=self._drivers.get(url, "")))
        line.serial = identity.serial
        body = self._instrument_body(line, url, identity)
        body["functions"] = []
        self._book.record(Kind.INSTRUMENT, "ready", body)

    def _told(self, line: Line, happening: Told) -> None:
        event = happening.event
        lapse = {
            Occurrence.LEADS_CHANGED: Lapse.LEADS_CHANGED,
            Occurrence.BATTERY_LOW: Lapse.BATTERY_LOW,
            Occurrence.FAULT: Lapse.FAULT,
        }.get(event.name)  # type: ignore[call-overload]
        line.last_n = max(line.last_n, event.n)
        if lapse is not None:
            self._checks.lapse(happening.serial, lapse, event.why, even_if_unproven=lapse is not Lapse.LEADS_CHANGED)

    def _damaged(self, line: Line, happening: Damaged) -> None:
        body = {
            "serial": line.serial,
            "why": happening.why,
            "raw": self._source(line, happening.first, happening.last),
            "bytes": [happening.first, happening.last],
        }
        self._book.record(Kind.DAMAGED, "damaged", body)

    def _numbers(self, _line: Line, happening: Gap | Filled | Lost) -> None:
        kind, name = _NUMBERED[type(happening)]
        body = {"serial": happening.serial, "boot": happening.boot, "first": happening.low, "last": happening.high}
        self._book.record(kind, name, body)

    def _disconnected(self, line: Line, happening: Disconnected) -> None:
        body = {"serial": line.serial, "line": happening.line, "why": happening.why, "connected": False}
        self._book.record(Kind.DISCONNECTED, "disconnected", body)

    def _reconnected(self, line: Line, happening: Reconnected) -> None:
        away_s = format(happening.away_ns / 1e9, ".3f")
        body = {"serial": line.serial, "line": happening.line, "away_s": away_s, "connected": True}
        self._book.record(Kind.RECONNECTED, "reconnected", body)
        if line.serial is not None:
            self._checks.line_was_lost(line.serial, happening.away_ns)

    def _ended(self, _line: Line, _happening: Ended) -> None:
        """Nothing more to say: that the line is gone was told when it went."""


_NUMBERED: Final[dict[type, tuple[Kind, str]]] = {
    Gap: (Kind.GAP, "gap"),
    Filled: (Kind.FILLED, "filled"),
    Lost: (Kind.LOST, "lost"),
}

_TAKERS: Final[dict[type, Any]] = {
    Identified: Intake._identified,
    Ready: Intake._ready,
    Read: Intake._read,
    Told: Intake._told,
    Damaged: Intake._damaged,
    Gap: Intake._numbers,
    Filled: Intake._numbers,
    Lost: Intake._numbers,
    Disconnected: Intake._disconnected,
    Reconnected: Intake._reconnected,
    Ended: Intake._ended,
}


def _raw_runs(happenings: Iterable[Happening]) -> dict[int, list[RawBytes]]:
    """Chunks of one line that came in one batch with no break of the line between them, by where the first stands."""
    runs: dict[int, list[RawBytes]] = {}
    open_run: dict[str, int] = {}
    for position, happening in enumerate(happenings):
        if isinstance(happening, RawBytes):
            start = open_run.setdefault(happening.line, position)
            runs.setdefault(start, []).append(happening)
        elif isinstance(happening, Disconnected | Reconnected | Ended):
            open_run.pop(happening.line, None)
    return runs


def reading_body(
    happening: Read, reasons: tuple[Reason, ...], selection: Selection | None, source: list[int]
) -> dict[str, Any]:
    """The body of a `reading` entry: the contract's fields, then what else the meter said, where it said it."""
    reading = happening.reading
    body: dict[str, Any] = {
        "serial": happening.serial,
        "n": reading.n,
        "function": reading.function,
        "relation": reading.value.relation,
        "value": reading.value.text,
        "unit": reading.value.unit,
        "voltage": reading.voltage,
        "accepted": not reasons,
        "reasons": list(reasons),
        "item": selection.item if selection else None,
        "test": selection.test if selection else None,
        "between": selection.between if selection else None,
        "origin": reading.origin,
        "boot": happening.boot,
        "raw": source,
        "bytes": [happening.first, happening.last],
    }
    for name, value in (
        ("range", reading.range_mark),
        ("output_voltage", reading.output_voltage),
        ("meter_ms", reading.meter_ms),
        ("flags", sorted(reading.flags)),
        ("temperature", reading.temperature),
        ("setting", setting_of(reading)),
        ("selection", selection.entry if selection else None),
    ):
        if value:
            body[name] = value
    return body


def setting_of(reading: Reading) -> dict[str, str]:
    """The RCD setting that a reading was taken at; empty for other functions."""
    said = {"multiple": reading.multiple, "phase": reading.phase, "rated": reading.rated}
    return {name: value for name, value in said.items() if value is not None}
