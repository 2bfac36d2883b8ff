"""Every cause that ends a proof, held against the `lapsed` entries: each that must stand does, none stands for nothing.

Causes in the log itself (a failed check, a new boot, a long absence) must be followed by their lapse at once. What a
meter told is handed in by the decoding. Time is judged by the host's monotonic clock as the raw bytes carry it; the
operator's day by the entries' own time, as the recorder does.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from logger.audit.rederive_report import Differs, Report, how, titled
from logger.clock import NS_PER_S, from_rfc3339
from logger.happening import Told
from logger.logbook.entries import Entry, Kind
from logger.proof import LINE_LOST_S, PROOF_HOLDS_S, Lapse, ProofKey
from logger.quantity import Function
from logger.recorder.bodies import lapse_body
from logger.recorder.checks import due_by_time, under_way_or_whole
from logger.recorder.intake import EVEN_IF_UNPROVEN, LAPSE_OF
from logger.recorder.measured import Measured
from logger.recorder.steps import KEYED_LINE
from logger.state import JobState, MeterState
from logger.text import harmless

TIME_SLACK_NS: Final = 30 * NS_PER_S
"""How far off the moment of a lapse by time may seem: between a chunk's arrival and its entry a disk may stall."""

BY_TIME: Final = frozenset({Lapse.ANOTHER_DAY, Lapse.FOUR_HOURS})

NOT_TIMED: Final = frozenset(
    {Kind.OPENED, Kind.CHECKPOINT, Kind.SEAL, Kind.OPERATOR, Kind.STORAGE_FAULT, Kind.STOPPED, Kind.INSTRUMENT}
)
"""Kinds that may be written without a look at the clock before them."""

MINUTE: Final = slice(0, 16)
"""Of a time as the record holds it: a day ends with a minute."""


class SessionTime:
    """Monotonic time within a session, on a scale that starts as the wall clock had it, nanoseconds."""

    def __init__(self, opened_at: str) -> None:
        self._ahead_ns: int | None = None
        self.now_ns = wall_ns(opened_at)

    def raw(self, at: str, mono_ns: int) -> int:
        """A chunk came: its time."""
        if self._ahead_ns is None:
            self._ahead_ns = wall_ns(at) - mono_ns
        self.now_ns = max(self.now_ns, mono_ns + self._ahead_ns)
        return self.now_ns


def wall_ns(at: str) -> int:
    """A time of the record in nanoseconds, only to be compared with others of its kind."""
    return round(from_rfc3339(at).timestamp() * 1e6) * 1000


class Lapses:
    """Holds `lapsed` entries against their causes. Looks at the state before each entry is taken in."""

    def __init__(self, state: JobState, report: Report) -> None:
        self._state = state
        self._report = report
        self._measured = Measured()
        self._must_follow: deque[tuple[Kind, dict[str, Any]]] = deque()
        self._time = SessionTime("1970-01-01T00:00:00Z")
        self._minute = ""
        self._soonest_ns: int | None = None

    @property
    def now_ns(self) -> int:
        """Time of the newest chunk, for the state."""
        return self._time.now_ns

    def opened(self, at: str, last_at: str | None) -> None:
        """A session began (its entry is not yet taken in)."""
        self._time = SessionTime(at)
        self._measured.forget()
        for key, proof in self._state.proofs.items():
            points = {p: replace(passed, mono_ns=wall_ns(passed.at)) for p, passed in proof.points.items()}
            self._state.proofs[key] = replace(proof, points=points)
        self._soonest_ns = None
        away_s = (from_rfc3339(at) - from_rfc3339(last_at)).total_seconds() if last_at else 0.0
        if not 0 <= away_s <= LINE_LOST_S:
            for serial in self._state.meters:
                self.must_follow(serial, Lapse.LINE_LOST)
        for (serial, boot), gaps in self._state.open_gaps.items():
            for low, high in gaps:
                body = {"serial": serial, "boot": boot, "first": low, "last": high}
                self._must_follow.append((Kind.LOST, body))

    def must_follow(self, serial: str, why: Lapse, keys: list[ProofKey] | None = None) -> None:
        """The next entry must tell that these proofs ended (all of the meter's; nothing, where there are none)."""
        ended = under_way_or_whole(self._state, serial) if keys is None else keys
        if ended:
            self._must_follow.append((Kind.LAPSED, lapse_body(serial, why, ended, "")))

    def by_meter(self, told: Told) -> dict[str, Any] | None:
        """The lapse that what a meter told must bring now; None where it brings none."""
        why = LAPSE_OF.get(told.event.name)
        if why is None:
            return None
        ended = under_way_or_whole(self._state, told.serial)
        doubts = self._measured.since(self._state, told.serial, told.boot, told.event.n)
        if not ended and not doubts and why not in EVEN_IF_UNPROVEN:
            return None
        return lapse_body(told.serial, why, ended, told.event.why, doubts)

    def result(self, entry: int, reading: Mapping[str, Any]) -> None:
        """A result was recorded from this reading."""
        self._measured.take(entry, str(reading["serial"]), str(reading["boot"]), int(reading["n"]))

    def due(self, entry: Entry, data: Mapping[str, Any]) -> bool:
        """Whether what was due stands here; tells of it where it does not."""
        kind, expected = self._must_follow.popleft()
        if entry.kind == kind and data == expected:
            return True
        self._must_follow.clear()
        what = f"numbers {expected['first']} to {expected['last']} were lost"
        if kind is Kind.LAPSED:
            what = f"the proof of meter {harmless(expected['serial'], 60)} lapsed ({expected['why']})"
        said = how(expected, data) if entry.kind == kind else f"{harmless(str(entry.kind), 40)} stands there"
        differs = Differs.FIELD if entry.kind == kind else Differs.MISSING
        self._report.differs(entry.number, differs, f"{titled(entry)}: here it must be told that {what}, but {said}.")
        return entry.kind == kind

    @property
    def pending(self) -> bool:
        """The next entry is known before it is looked at."""
        return bool(self._must_follow)

    def raw(self, entry: Entry, mono_ns: int) -> None:
        """A chunk came: no proof may be older than four hours now."""
        now_ns = self._time.raw(entry.at, mono_ns)
        if self._soonest_ns is None:
            self._soonest_ns = self._soonest()
        if now_ns >= self._soonest_ns:
            self._report.differs(
                entry.number, Differs.MISSING, "Before this, a proof that was four hours old should have lapsed."
            )
            self._soonest_ns = now_ns + round(PROOF_HOLDS_S) * NS_PER_S

    def _soonest(self) -> int:
        """When the oldest proof of a meter on a line must have lapsed at the latest."""
        timed = [
            min(passed.mono_ns for passed in proof.points.values())
            for key, proof in self._state.proofs.items()
            if proof.points and not _is_keyed(self._state.meters.get(key.serial))
        ]
        return min(timed, default=1 << 62) + round(PROOF_HOLDS_S) * NS_PER_S + TIME_SLACK_NS

    def changed(self) -> None:
        """Proofs changed."""
        self._soonest_ns = None
        self._minute = ""

    def look_at_day(self, entry: Entry) -> None:
        """No proof of another day may stand when this was written."""
        if entry.at[MINUTE] == self._minute or entry.kind in NOT_TIMED:
            return
        self._minute = entry.at[MINUTE]
        due = due_by_time(self._state, entry.at, 0)
        ended = [serial for serial, why in due if why is Lapse.ANOTHER_DAY]
        if ended:
            self._report.differs(
                entry.number,
                Differs.MISSING,
                f"Before this, the proof of meter {ended[0]} should have lapsed: it is from another day.",
            )

    def by_time(self, entry: Entry, data: Mapping[str, Any]) -> bool:
        """Whether a lapse by time stands where it may."""
        serial, why = str(data["serial"]), Lapse(data["why"])
        keys = [ProofKey(serial, Function(each["function"]), each["voltage"]) for each in data["proofs"]]
        if not keys or lapse_body(serial, why, keys, "") != data:
            return False
        if why is Lapse.ANOTHER_DAY:
            return due_by_time(self._state, entry.at, 0).get((serial, why)) == keys
        wall = wall_ns(entry.at)
        possible = due_by_time(self._state, entry.at, max(wall, self.now_ns) + TIME_SLACK_NS).get((serial, why), [])
        return set(keys) <= set(possible)


def _is_keyed(meter: MeterState | None) -> bool:
    return meter is not None and meter.line.startswith(KEYED_LINE)
