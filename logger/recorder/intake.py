"""Happenings in: raw bytes, readings, events and the comings and goings of a line become entries.

A reading is tagged with the present selection, screened, and written whether it counts or not. Bytes that came
together are written as one raw entry with the time of each chunk, before what was read out of them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from logger.bodies import Selection
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
from logger.recorder import bodies
from logger.recorder.book import Book
from logger.recorder.checks import Checks
from logger.recorder.measured import Measured
from logger.screening import Situation, screen

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
    boot: str
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
    raw: deque[bodies.RawSpan] = field(default_factory=lambda: deque(maxlen=RAW_ENTRIES_REMEMBERED))
    boots: int = 0
    zero_ns: int | None = None
    """Host time minus meter time of the last reading sent as it was made: places stored readings in time."""
    last_n: int = 0
    last_selection: int | None = None
    """The selection that stood when the newest number came."""
    since_n: int = 0
    """The first number that came under that selection."""


class Intake:
    """Takes happenings in. One for a capture session."""

    def __init__(self, book: Book, checks: Checks, drivers: Mapping[str, str]) -> None:
        self._book = book
        self._checks = checks
        self._drivers = drivers
        self.lines: dict[str, Line] = {}
        self.candidate: Candidate | None = None
        self.candidates: dict[str, Candidate] = {}
        """By serial number: the newest accepted reading of each meter under the present selection."""
        self._measured = Measured()

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
        entry = self._book.write(Kind.RAW, bodies.raw_body(chunks, line.serial))
        start = chunks[0].offset
        line.raw.append((entry, start, start + sum(len(chunk.data) for chunk in chunks)))

    @staticmethod
    def _source(line: Line, first: int, last: int) -> list[int]:
        return bodies.source(reversed(line.raw), first, last)

    def _identified(self, line: Line, happening: Identified) -> None:
        identity = happening.identity
        known = self._book.state.meters.get(identity.serial)
        same_boot = known is not None and known.boot == identity.boot
        leads_differ = known is not None and bool(known.leads) and known.leads != identity.leads
        line.serial = identity.serial
        if not same_boot:
            line.zero_ns, line.last_n, line.since_n = None, 0, 0
        line.boots += 1
        self._book.write(Kind.INSTRUMENT, bodies.instrument_body(identity, happening.line, line.driver))
        if known is not None and not same_boot:
            self._checks.lapse(identity.serial, Lapse.NEW_BOOT)
        elif leads_differ:
            self._checks.lapse(identity.serial, Lapse.LEADS_CHANGED)

    def _ready(self, line: Line, happening: Ready) -> None:
        body = bodies.instrument_body(happening.identity, happening.line, line.driver, happening.ranges)
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
            standing = self._book.state.selection.entry if self._book.state.selection else None
            if standing != line.last_selection:
                line.last_selection, line.since_n = standing, reading.n
            line.last_n = reading.n

    def _selection_for(self, line: Line, happening: Read) -> Selection | None:
        """The selection under which a reading was made.

        One that is sent late (from memory, or filling a gap) belongs to a selection only if that stood both when one
        with a lower number came and now.
        """
        selection = self._book.state.selection
        if selection is None or (selection.meter is not None and selection.meter != happening.serial):
            return None
        late = Flag.STORED in happening.reading.flags or happening.reading.n < line.last_n
        if late and (line.last_selection != selection.entry or happening.reading.n <= line.since_n):
            return None
        return selection

    def _take_reading(self, line: Line, happening: Read, selection: Selection | None, step_id: object) -> None:
        reading, serial = happening.reading, happening.serial
        self._book.state.number_came(serial, happening.boot, reading.n)
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
        raw = self._source(line, happening.first, happening.last)
        body = bodies.reading_body(happening, reasons, chosen, raw, self._checks.point if checking else None)
        entry = self._book.record(Kind.READING, "reading", body, step_id)
        measured_ns = self._measured_ns(line, happening)
        if checking:
            self._checks.take(entry, reading)
        elif not reasons and carrier is not None:
            order = (line.boots, reading.n)
            self._offer(Candidate(entry, serial, happening.boot, reading, ranges, measured_ns, carrier, order))

    def _measured_ns(self, line: Line, happening: Read) -> int:
        stored = Flag.STORED in happening.reading.flags
        if stored and line.zero_ns is not None and happening.reading.meter_ms is not None:
            return min(happening.mono_ns, line.zero_ns + happening.reading.meter_ms * NS_PER_MS)
        return happening.mono_ns

    def _offer(self, candidate: Candidate) -> None:
        held = self.candidates.get(candidate.serial)
        if held is None or candidate.order >= held.order:
            self.candidate = self.candidates[candidate.serial] = candidate

    def forget_candidates(self) -> None:
        """Something else is selected: nothing has been accepted under it yet."""
        self.candidate = None
        self.candidates.clear()

    def _withdraw(self, serial: str) -> None:
        self.candidates.pop(serial, None)
        if self.candidate is not None and self.candidate.serial == serial:
            self.candidate = None

    def taken(self, result: int, candidate: Candidate) -> None:
        """A result was recorded from this reading."""
        self._measured.take(result, candidate.serial, candidate.boot, candidate.reading.n)

    def keyed(self, happening: Read, step_id: object) -> None:
        """A reading that the operator keyed: the same way as any other."""
        line = self.lines[happening.line]
        self._take_reading(line, happening, self._book.state.selection, step_id)

    def keyed_meter(self, url: str, identity: Identity) -> None:
        """A meter without a data port is at hand."""
        line = self.lines.setdefault(url, Line(driver=self._drivers.get(url, "")))
        line.serial = identity.serial
        body = bodies.instrument_body(identity, url, line.driver, ())
        self._book.record(Kind.INSTRUMENT, "ready", body)

    def _told(self, line: Line, happening: Told) -> None:
        event, serial = happening.event, happening.serial
        self._book.state.number_came(serial, happening.boot, event.n)
        lapse = LAPSE_OF.get(event.name)
        if lapse is not None:
            doubts = self._measured.since(self._book.state, serial, happening.boot, event.n)
            if event.n < line.last_n:  # late: what was measured since is not to be taken
                self._withdraw(serial)
            self._checks.lapse(serial, lapse, event.why, doubts, even_if_unproven=lapse in EVEN_IF_UNPROVEN)
        line.last_n = max(line.last_n, event.n)

    def _damaged(self, line: Line, happening: Damaged) -> None:
        raw = self._source(line, happening.first, happening.last)
        self._book.record(Kind.DAMAGED, "damaged", bodies.damaged_body(happening, line.serial, raw))

    def _numbers(self, _line: Line, happening: Gap | Filled | Lost) -> None:
        kind, name = bodies.NUMBERED[type(happening)]
        self._book.record(kind, name, bodies.numbers_body(happening))
        if isinstance(happening, Gap):
            self._checks.not_in_a_row(happening.serial)

    def _disconnected(self, line: Line, happening: Disconnected) -> None:
        body = bodies.disconnected_body(happening.line, line.serial, happening.why)
        self._book.record(Kind.DISCONNECTED, "disconnected", body)

    def _reconnected(self, line: Line, happening: Reconnected) -> None:
        body = bodies.reconnected_body(happening.line, line.serial, happening.away_ns)
        self._book.record(Kind.RECONNECTED, "reconnected", body)
        if line.serial is not None:
            self._checks.line_was_lost(line.serial, happening.away_ns)

    def _ended(self, _line: Line, _happening: Ended) -> None:
        """Nothing more to say: that the line is gone was told when it went."""


LAPSE_OF: Final[dict[str, Lapse]] = {
    Occurrence.LEADS_CHANGED: Lapse.LEADS_CHANGED,
    Occurrence.BATTERY_LOW: Lapse.BATTERY_LOW,
    Occurrence.FAULT: Lapse.FAULT,
}
"""What a meter tells of that ends its proofs."""

EVEN_IF_UNPROVEN: Final = frozenset({Lapse.BATTERY_LOW, Lapse.FAULT})
"""These are written where nothing was proven, too: until they are over, nothing can be."""

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
    """Chunks of one line that came in one batch with no break of the line between them, by where the first stands.

    A meter that says who it is ends the runs of all lines: whose bytes came before it decides who may be that meter.
    """
    runs: dict[int, list[RawBytes]] = {}
    open_run: dict[str, int] = {}
    for position, happening in enumerate(happenings):
        if isinstance(happening, RawBytes):
            start = open_run.setdefault(happening.line, position)
            runs.setdefault(start, []).append(happening)
        elif isinstance(happening, Identified):
            open_run.clear()
        elif isinstance(happening, Disconnected | Reconnected | Ended):
            open_run.pop(happening.line, None)
    return runs
