"""The self-check under way, and every cause that ends a proof.

One check at a time: it looks at the next readings of its meter, function and voltage, and passes or fails on them.
While it runs those readings belong to it and to no item.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from logger.clock import NS_PER_S
from logger.logbook.entries import Kind
from logger.proof import (
    CHECK_WAIT_S,
    KEYED_CHECK_WAIT_S,
    LINE_LOST_S,
    PROOF_HOLDS_S,
    READINGS_PER_CHECK,
    Bands,
    CheckOutcome,
    Lapse,
    Point,
    ProofKey,
    carriers,
    check,
)
from logger.quantity import Displayed
from logger.reading import Flag, Reading
from logger.recorder.bodies import lapse_body, self_check_body
from logger.recorder.book import Book
from logger.screening import Standing

if TYPE_CHECKING:
    from logger.state import JobState, MeterState


@dataclass(slots=True)
class Check:
    """A check that waits for its readings."""

    key: ProofKey
    point: Point
    expect: Displayed | None
    step_id: object
    deadline_ns: int
    keyed: bool
    entries: list[int] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)


class Checks:
    """Runs checks and lapses proofs. One for a capture session."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self._under_way: Check | None = None

    @property
    def busy(self) -> bool:
        """A check waits for readings."""
        return self._under_way is not None

    @property
    def under_way(self) -> Check | None:
        """The check that waits for readings."""
        return self._under_way

    @property
    def point(self) -> Point | None:
        """What the check under way has on the leads."""
        return self._under_way.point if self._under_way else None

    def start(self, key: ProofKey, point: Point, expect: Displayed | None, step_id: object, *, keyed: bool) -> None:
        """Begin; the answer comes when its readings have, or when the wait is over."""
        wait_s = KEYED_CHECK_WAIT_S if keyed else CHECK_WAIT_S
        deadline_ns = self._book.clock.mono_ns() + round(wait_s * NS_PER_S)
        self._under_way = Check(key, point, expect, step_id, deadline_ns, keyed)

    def wants(self, serial: str, reading: Reading, repeat: bool) -> bool:
        """Whether the check under way looks at this reading."""
        check_now = self._under_way
        if check_now is None or repeat or Flag.STORED in reading.flags:
            return False
        return ProofKey.of(serial, reading.function, reading.voltage) == check_now.key

    def take(self, entry: int, reading: Reading) -> None:
        """Give the check under way its next reading; the third decides it."""
        check_now = self._under_way
        assert check_now is not None
        check_now.entries.append(entry)
        check_now.readings.append(reading)
        if len(check_now.readings) == READINGS_PER_CHECK:
            self._under_way = None
            self._conclude(check_now)

    def tick(self, mono_ns: int) -> None:
        """Refuse a check whose readings did not come, and end proofs whose time is over."""
        check_now = self._under_way
        if check_now is not None and mono_ns >= check_now.deadline_ns:
            self._under_way = None
            self._refuse(check_now)
        self._lapse_by_time(mono_ns)

    def _refuse(self, check_now: Check) -> None:
        key = check_now.key
        at_voltage = f" at {key.voltage} V" if key.voltage else ""
        came = len(check_now.readings)
        fields = {
            "do": "prove",
            "outcome": "refused",
            "point": check_now.point,
            "function": key.function,
            "voltage": key.voltage,
            "serial": key.serial,
            "why": f"only {came} of {READINGS_PER_CHECK} readings of {key.function}{at_voltage} came in time: "
            "set the meter to that function and voltage, start its measurement, and check again",
        }
        self._book.tell("refused", None, fields, check_now.step_id)

    def _conclude(self, done: Check) -> None:
        meter = self._book.state.meters.get(done.key.serial)
        outcome = outcome_of(meter, done.point, done.readings, self._book.pack.bands, done.expect)
        body = self_check_body(done.key, done.point, done.expect, done.entries, done.readings, meter, outcome)
        was_whole = self._book.state.proof_of(done.key).is_whole
        self._book.record(Kind.SELF_CHECK, "proof", body, done.step_id)
        if not outcome.passed and was_whole:
            self._write_lapse(done.key.serial, Lapse.FAILED_CHECK, [done.key], "")

    def standing(self, serial: str, reading: Reading) -> tuple[Standing, ProofKey | None]:
        """How the meter stands for this reading, and the proof that carries it when it is proven."""
        return standing_of(self._book.state, serial, reading)

    def lapse(
        self, serial: str, why: Lapse, words: str = "", doubts: Sequence[int] = (), *, even_if_unproven: bool = False
    ) -> None:
        """End every proof of a meter. Says nothing where nothing was proven, nothing read for a check under way, and no
        result is to be put in doubt, unless asked to."""
        ended = under_way_or_whole(self._book.state, serial)
        if ended or doubts or even_if_unproven or self._has_readings_of(serial):
            self._write_lapse(serial, why, ended, words, doubts)

    def not_in_a_row(self, serial: str) -> None:
        """What a check under way has read of this meter so far counts for nothing: it begins anew."""
        if self._has_readings_of(serial):
            assert self._under_way is not None
            self._under_way.entries.clear()
            self._under_way.readings.clear()

    def _has_readings_of(self, serial: str) -> bool:
        check_now = self._under_way
        return check_now is not None and check_now.key.serial == serial and bool(check_now.readings)

    def line_was_lost(self, serial: str, away_ns: int) -> None:
        """The line is back; a long absence ends the proofs."""
        if away_ns > LINE_LOST_S * NS_PER_S:
            self.lapse(serial, Lapse.LINE_LOST)

    def _lapse_by_time(self, mono_ns: int) -> None:
        for (serial, why), keys in due_by_time(self._book.state, self._book.at, mono_ns).items():
            self._write_lapse(serial, why, keys, "")

    def _write_lapse(
        self, serial: str, why: Lapse, keys: list[ProofKey], words: str, doubts: Sequence[int] = ()
    ) -> None:
        self._book.record(Kind.LAPSED, "lapsed", lapse_body(serial, why, keys, words, doubts))
        self.not_in_a_row(serial)


def outcome_of(
    meter: MeterState | None, point: Point, readings: Sequence[Reading], bands: Bands, expect: Displayed | None
) -> CheckOutcome:
    """What a check of a meter comes to with its last reading, as the meter stands then."""
    if meter is not None and meter.battery_low:
        return CheckOutcome(False, "the meter said that its battery is low; a low battery proves nothing")
    return check(point, readings, meter.ranges if meter else (), bands, expect)


def standing_of(state: JobState, serial: str, reading: Reading) -> tuple[Standing, ProofKey | None]:
    """How a meter stands for a reading, and the proof that carries it where it is proven."""
    key = ProofKey.of(serial, reading.function, reading.voltage)
    proof = state.proof_of(key)
    if proof.is_whole:
        return Standing.PROVEN, key
    lapsed = proof.lapsed is not None
    for function in carriers(key):
        for other, standing in state.proofs.items():
            if other.serial == serial and other.function is function:
                if standing.is_whole:
                    return Standing.PROVEN, other
                lapsed = lapsed or standing.lapsed is not None
    return (Standing.LAPSED if lapsed else Standing.NOT_PROVEN), None


def under_way_or_whole(state: JobState, serial: str) -> list[ProofKey]:
    """The proofs of a meter that hold at least one passed point: what a lapse of the whole meter ends."""
    return [key for key, proof in state.proofs.items() if key.serial == serial and proof.points]


def due_by_time(state: JobState, at: str, mono_ns: int) -> dict[tuple[str, Lapse], list[ProofKey]]:
    """The proofs whose time is over, by meter and cause.

    Args:
        at: UTC, RFC 3339: ends what was proven on another of the operator's days.
        mono_ns: on the clock of the state: ends what is four hours old.
    """
    today = state.local_day(at)
    due: dict[tuple[str, Lapse], list[ProofKey]] = {}
    for key, proof in state.proofs.items():
        oldest = min(proof.points.values(), key=lambda passed: passed.mono_ns, default=None)
        if oldest is None:
            continue
        if oldest.day != today:
            due.setdefault((key.serial, Lapse.ANOTHER_DAY), []).append(key)
        elif mono_ns - oldest.mono_ns >= PROOF_HOLDS_S * NS_PER_S:
            due.setdefault((key.serial, Lapse.FOUR_HOURS), []).append(key)
    return due
