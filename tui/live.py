"""What the newest events say that the job's state does not keep: readings as they run by, and the last answer.

A fold like `logger.state`, but short-lived and bounded: it forgets, and nothing rests on it. Touched by one thread.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, Final

from logger.clock import NS_PER_S
from logger.quantity import UNITS, Displayed, Function, Relation
from logger.reading import Flag
from logger.recorder.event import Event
from logger.settling import Settler, Settling, Steadiness
from logger.timed_runs import PointMaker, RunNow
from tui.present import figure

TRACE_S: Final = 60
"""How much of the past the trace shows, seconds."""

READINGS_REMEMBERED: Final = 3_000
"""Readings of one meter kept for trace and steadiness: the last minute at 50 a second."""

METERS_REMEMBERED: Final = 64
"""Meters followed at once; four times what one capture is made for."""

LOG_LINES_REMEMBERED: Final = 500
"""Newest events kept for the log lines, a count; older ones are in the logbook itself."""

RUN_LOOK_BACK: Final = 16
"""How many of the newest log lines a reading is compared with: so many meters may stream side by side."""

NEWS_S: Final = 8.0
"""How long an answer stands beside the next step, seconds: long enough to look up from the leads."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading as its event told it.

    Attributes:
        arrived_ns: when the app was told of it, monotonic.
    """

    entry: int
    at: str
    serial: str
    function: Function
    value: Displayed
    voltage: str | None
    accepted: bool
    reasons: tuple[str, ...]
    arrived_ns: int
    flags: frozenset[str]
    range_mark: str
    output_voltage: str | None
    origin: str
    check: str | None
    selection: int | None

    def is_like(self, other: Seen) -> bool:
        """Of the same function and test voltage: the two may stand on one trace."""
        return self.function is other.function and self.voltage == other.voltage


@dataclass(slots=True)
class Logged:
    """One log line: an event, or the newest of a run of readings that differ in nothing but their figure.

    Attributes:
        count: how many readings the line stands for.
        since_at: when the first of them came.
        kind: what its readings have in common; None where it is no reading.
    """

    event: Event
    count: int
    since_at: str
    kind: tuple[object, ...] | None = None


NOT_KNOWN_YET: Final = Settling(Steadiness.UNKNOWN)
"""Too little has come to say whether a reading has settled."""


@dataclass(slots=True)
class MeterLive:
    """One meter's last minute, and whether its reading has settled."""

    readings: deque[Seen] = field(default_factory=lambda: deque(maxlen=READINGS_REMEMBERED))
    settling: Settling = NOT_KNOWN_YET
    settler: Settler = field(default_factory=Settler)
    timed: RunNow = field(default_factory=RunNow)
    """The timed run of insulation that goes on."""
    points: PointMaker = field(default_factory=PointMaker)

    def take(self, seen: Seen) -> None:
        """One more reading. Another function or test voltage begins anew."""
        if self.newest is not None and not seen.is_like(self.newest):
            self.unsettle()
        self.readings.append(seen)
        self.settling = self.settler.add(seen.arrived_ns, seen.value)

    def unsettle(self) -> None:
        """What came until now says nothing of what comes: the line broke, or something else is tested."""
        self.settler.reset()
        self.settling = NOT_KNOWN_YET

    @property
    def newest(self) -> Seen | None:
        """The last reading that came."""
        return self.readings[-1] if self.readings else None


@dataclass(frozen=True, slots=True)
class Lost:
    """A line that does not speak: since when, and why."""

    since_ns: int
    why: str


class Live:
    """The newest of everything. `take` is the only way in."""

    def __init__(self) -> None:
        self.meters: dict[str, MeterLive] = {}
        self.newest: Seen | None = None
        self.here: dict[str, None] = {}
        """Serials of the meters that have said who they are since this app was opened, in that order."""
        self.remarks: dict[str, tuple[str, ...]] = {}
        """By serial: what this machine's memory of the meter says against what it says of itself."""
        self.lost: dict[str, Lost] = {}
        self.confirmed: set[str] = set()
        """Cautions confirmed since this app was opened: yesterday's confirmation says nothing of today's conductors."""
        self.log: deque[Logged] = deque(maxlen=LOG_LINES_REMEMBERED)
        self.answer: Event | None = None
        self.answer_ns = 0
        self.result: Event | None = None
        self.result_taken_entry: int | None = None
        self.checked: dict[tuple[str, str, str | None, str], tuple[str, str]] = {}
        """By serial, function, voltage and point: figure and unit that the last check that passed read."""
        self.closed = False
        self.work_revision = 0
        """Counts up whenever something came that can change the work list."""

    def take(self, event: Event, now_ns: int) -> None:
        """Take one event in, told at `now_ns` (monotonic)."""
        handler = _HANDLERS.get(event.name)
        if handler is not None:
            handler(self, event, now_ns)
        if event.name in _MOVES_WORK:
            self.work_revision += 1
        self._log(event)
        if event.name in _ANSWERS or event.fields.get("remarks"):
            self.answer, self.answer_ns = event, now_ns

    def remember(self, events: Iterable[Event]) -> None:
        """Put what the logbook holds already into the log lines; it is no news and moves nothing else."""
        for event in events:
            self._log(event)
            if event.name == "proof":
                self._proof(event, 0)

    def fresh_answer(self, now_ns: int) -> Event | None:
        """The last answer while it is news."""
        if self.answer is None or now_ns - self.answer_ns > NEWS_S * NS_PER_S:
            return None
        return self.answer

    def _log(self, event: Event) -> None:
        kind = _kind_of(event) if event.name == "reading" else None
        if kind is not None:
            for logged in islice(reversed(self.log), RUN_LOOK_BACK):
                if logged.kind is None:
                    break
                if logged.kind == kind:
                    logged.event, logged.count = event, logged.count + 1
                    return
        self.log.append(Logged(event, 1, event.at, kind))

    def _reading(self, event: Event, now_ns: int) -> None:
        seen = seen_from(event, now_ns)
        meter = self.meters.get(seen.serial)
        if meter is None:
            if len(self.meters) >= METERS_REMEMBERED:
                self.meters.pop(next(iter(self.meters)))
            meter = self.meters[seen.serial] = MeterLive()
        point = meter.points.make(seen.entry, event.fields) if "meter_ms" in event.fields else None
        if point is not None:
            meter.timed.take(point)
        if Flag.STORED not in seen.flags:
            meter.take(seen)
            self.newest = seen

    def _disconnected(self, event: Event, now_ns: int) -> None:
        name = str(event.fields.get("serial") or event.fields["line"])
        self.lost[name] = Lost(now_ns, str(event.fields["why"]))
        if name in self.meters:
            self.meters[name].unsettle()
            self.meters[name].points.line_went()

    def _ready(self, event: Event, now_ns: int) -> None:
        if len(self.here) < METERS_REMEMBERED:
            self.here[str(event.fields["serial"])] = None
            self.remarks[str(event.fields["serial"])] = tuple(str(remark) for remark in event.fields.get("remarks", ()))
        self._back(event, now_ns)

    def _back(self, event: Event, _now_ns: int) -> None:
        for name in (event.fields.get("serial"), event.fields.get("line")):
            self.lost.pop(str(name), None)

    def _confirmed(self, event: Event, _now_ns: int) -> None:
        self.confirmed.add(str(event.fields["caution"]))

    def _selected(self, _event: Event, _now_ns: int) -> None:
        self.result = None
        for meter in self.meters.values():
            meter.unsettle()

    def _result(self, event: Event, _now_ns: int) -> None:
        self.result = event
        reading = event.fields.get("reading")
        self.result_taken_entry = reading if isinstance(reading, int) else None

    def _proof(self, event: Event, _now_ns: int) -> None:
        f = event.fields
        if f["outcome"] == "pass" and f["figures"]:
            key = (str(f["serial"]), str(f["function"]), f["voltage"], str(f["point"]))
            unit = UNITS.get(str(f["unit"]))
            self.checked[key] = (figure(f["figures"][-1], "1", f["relations"][-1]), unit.sign if unit else "")

    def _closed(self, _event: Event, _now_ns: int) -> None:
        self.closed = True


_HANDLERS: Final = {
    "reading": Live._reading,
    "disconnected": Live._disconnected,
    "reconnected": Live._back,
    "ready": Live._ready,
    "confirmed": Live._confirmed,
    "selected": Live._selected,
    "result": Live._result,
    "proof": Live._proof,
    "closed": Live._closed,
}

_MOVES_WORK: Final = frozenset({"result", "proof", "skipped", "lapsed"})

_ANSWERS: Final = frozenset(
    {"failed", "refused", "result", "proof", "skipped", "noted", "altered", "restored", "set", "closed"}
)


_RUN_FIELDS: Final = ("serial", "function", "voltage", "accepted", "reasons", "item", "test", "check", "origin")


def _kind_of(reading: Event) -> tuple[object, ...]:
    """What readings of one run have in common."""
    return tuple(map(reading.fields.get, _RUN_FIELDS))


def seen_from(event: Event, now_ns: int) -> Seen:
    """The reading that a `reading` event tells of."""
    f: Mapping[str, Any] = event.fields
    return Seen(
        entry=event.entry or 0,
        at=event.at,
        serial=str(f["serial"]),
        function=Function(f["function"]),
        value=Displayed(str(f["value"]), str(f["unit"]), Relation(f["relation"])),
        voltage=None if f["voltage"] is None else str(f["voltage"]),
        accepted=bool(f["accepted"]),
        reasons=tuple(str(reason) for reason in f["reasons"]),
        arrived_ns=now_ns,
        flags=frozenset(str(flag) for flag in f.get("flags", ())),
        range_mark=str(f.get("range", "")),
        output_voltage=None if f.get("output_voltage") is None else str(f["output_voltage"]),
        origin=str(f["origin"]),
        check=None if f.get("check") is None else str(f["check"]),
        selection=f.get("selection"),
    )
