"""Is this meter proven for this? The zero and infinity self-check as a table of states.

    unproven ──a point passes──▶ half proven ──the other passes──▶ proven
        any of them ──a check fails, or a cause of LAPSES──▶ lapsed (unproven stays unproven)
    lapsed ──a point passes──▶ half proven ──the other passes──▶ proven

A proof belongs to one meter, one function and, where the function has one, one test voltage. This file holds the
states and bands and nothing else: it reads no clock and writes no log; `logger.recorder` does both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from typing import Final

from logger.quantity import DIMENSION_OF, WITH_TEST_VOLTAGE, ZERO_AND_INFINITY, Displayed, Function, Relation, in_base
from logger.reading import Flag, Range, Reading

READINGS_PER_CHECK: Final = 3
"""How many readings in a row one check looks at (interface, section 3)."""

CHECK_WAIT_S: Final = 15.0
"""How long a check waits for its readings before it is refused, seconds (interface, section 2)."""

KEYED_CHECK_WAIT_S: Final = 120.0
"""The same for a meter read by eye: a person needs time to look and to key, seconds."""

PROOF_HOLDS_S: Final = 4 * 3600.0
"""How long a proof holds, seconds (interface, section 3)."""

LINE_LOST_S: Final = 60.0
"""A line lost for longer than this ends the proof, seconds (interface, section 3)."""


VOLTAGES_KEPT: Final = 256
"""How many ways to write a voltage are kept worked out: a meter has a handful, a hostile one no end."""


class Point(StrEnum):
    """What a check applies to the leads."""

    INFINITY = "infinity"
    ZERO = "zero"
    REFERENCE = "reference"


class ProofState(StrEnum):
    """How far a meter is proven for one function and voltage."""

    UNPROVEN = "unproven"
    HALF_PROVEN = "half proven"
    PROVEN = "proven"
    LAPSED = "lapsed"


class Lapse(StrEnum):
    """What ends a proof."""

    NEW_BOOT = "new boot"
    LEADS_CHANGED = "leads changed"
    FAULT = "meter fault"
    BATTERY_LOW = "battery low"
    FAILED_CHECK = "failed check"
    ANOTHER_DAY = "another day"
    FOUR_HOURS = "four hours"
    LINE_LOST = "line lost for more than a minute"


@dataclass(frozen=True, slots=True)
class ProofKey:
    """What a proof is for. `voltage`: nominal test voltage in volts as text; None where the function has none."""

    serial: str
    function: Function
    voltage: str | None = None

    @staticmethod
    def of(serial: str, function: Function, voltage: str | None) -> ProofKey:
        """The key for a reading: the voltage counts only where the function has one; `500.0` is `500`."""
        if function not in WITH_TEST_VOLTAGE or voltage is None:
            return ProofKey(serial, function, None)
        return ProofKey(serial, function, plain_number(voltage))


@lru_cache(maxsize=VOLTAGES_KEPT)
def plain_number(text: str) -> str:
    """A decimal without trailing zeros or a trailing point, so that two ways to write one voltage compare equal."""
    return format(Decimal(text).normalize(), "f")


@dataclass(frozen=True, slots=True)
class Passed:
    """A check that passed. `mono_ns` on the host's clock of this session; `entry` its number in the log."""

    point: Point
    entry: int
    mono_ns: int
    day: date
    at: str
    figures: tuple[str, ...] = ()
    lead_ohm: str | None = None
    """Resistance of the shorted leads in ohms where they were not nulled, as text."""


@dataclass(frozen=True, slots=True)
class Proof:
    """Where one meter stands for one function and voltage.

    Attributes:
        points: checks passed since the proof last lapsed.
        lapsed: why it lapsed and has not been whole since; None if it never did.
    """

    points: dict[Point, Passed] = field(default_factory=dict)
    lapsed: str | None = None

    @property
    def state(self) -> ProofState:
        """The state of the table above."""
        if self.is_whole:
            return ProofState.PROVEN
        if self.points:
            return ProofState.HALF_PROVEN
        return ProofState.LAPSED if self.lapsed else ProofState.UNPROVEN

    @property
    def is_whole(self) -> bool:
        """Zero and infinity have passed (or zero and a reference, for functions without a meaningful infinity)."""
        return Point.ZERO in self.points and (Point.INFINITY in self.points or Point.REFERENCE in self.points)

    @property
    def since(self) -> Passed | None:
        """The older of the checks that carry the proof: four hours count from it. None while not proven."""
        return min(self.points.values(), key=lambda passed: passed.mono_ns) if self.is_whole else None

    def with_passed(self, passed: Passed) -> Proof:
        """After a check that passed."""
        points = {**self.points, passed.point: passed}
        whole = Proof(points).is_whole
        return Proof(points, None if whole else self.lapsed)

    def without(self, why: str) -> Proof:
        """After a cause of lapsing, or a failed check."""
        was_good = self.is_whole or self.lapsed is not None
        return replace(self, points={}, lapsed=why if was_good else None)


@dataclass(frozen=True, slots=True)
class Bands:
    """What a check must read (from the rule pack; interface, section 3).

    Attributes:
        zero_nulled_ohm: most that shorted leads may read on continuity when nulled.
        zero_raw_ohm: the same when not nulled; what is read is kept as the lead resistance.
        zero_insulation_steps: most that shorted leads may read on insulation, in steps of the lowest range.
        zero_insulation_mohm: the same, megohms, where the meter does not say its resolution.
        reference_percent: how far a reference may read from its value where the meter does not say its accuracy.
    """

    zero_nulled_ohm: Decimal = Decimal("0.05")
    zero_raw_ohm: Decimal = Decimal("1.00")
    zero_insulation_steps: Decimal = Decimal(2)
    zero_insulation_mohm: Decimal = Decimal("0.02")
    reference_percent: Decimal = Decimal(30)


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """What a check came to.

    Attributes:
        passed: all readings inside the band.
        why: for a person: what was read that should not be; empty when passed.
        lead_ohm: resistance of shorted leads that were not nulled, ohms, as text.
    """

    passed: bool
    why: str = ""
    lead_ohm: str | None = None


def check(
    point: Point,
    readings: Sequence[Reading],
    ranges: Sequence[Range],
    bands: Bands,
    expect: Displayed | None = None,
) -> CheckOutcome:
    """Judge the readings of one check, all of one function and voltage.

    Args:
        point: what is on the leads.
        readings: `READINGS_PER_CHECK` of them, in order.
        ranges: every range the meter announced.
        bands: the bands in force.
        expect: value of the reference; needed for `Point.REFERENCE` alone.
    """
    for reading in readings:
        why = _fault_of(reading) or _outside(point, reading, ranges, bands, expect)
        if why:
            return CheckOutcome(False, why)
    if point is Point.ZERO and len({Flag.NULLED in reading.flags for reading in readings}) > 1:
        return CheckOutcome(False, "the leads were nulled while they were checked")
    return CheckOutcome(True, lead_ohm=_lead_resistance(point, readings))


def _fault_of(reading: Reading) -> str:
    if Flag.LIVE in reading.flags:
        return "an outside voltage is on the leads"
    if Flag.BATTERY_LOW in reading.flags:
        return "the meter says that its battery is low"
    if reading.value.dimension is not DIMENSION_OF[reading.function]:
        return f"the meter read in {reading.value.unit}, which does not measure {reading.function}"
    return ""


def _outside(point: Point, reading: Reading, ranges: Sequence[Range], bands: Bands, expect: Displayed | None) -> str:
    if point is Point.INFINITY:
        return "" if _is_infinity(reading, ranges) else f"leads apart read {_words(reading)}, not over range"
    if point is Point.ZERO:
        limit_base = _zero_limit(reading, ranges, bands)
        lowest_base = (
            -min(limit_base, bands.zero_nulled_ohm) if reading.function is Function.CONTINUITY else -limit_base
        )
        good = reading.value.relation is not Relation.ABOVE and lowest_base <= reading.value.base <= limit_base
        return "" if good else f"leads joined read {_words(reading)}, more than the zero band allows"
    if expect is None or expect.dimension is not reading.value.dimension:
        return "the reference has another unit than the reading"
    off_by = abs(reading.value.base - expect.base)
    good = reading.value.relation is Relation.EQUAL and off_by <= _reference_band(reading, ranges, bands, expect)
    return "" if good else f"the reference of {expect.text} {expect.unit} read {_words(reading)}"


def _words(reading: Reading) -> str:
    sign = {Relation.EQUAL: "", Relation.ABOVE: ">", Relation.BELOW: "<"}[reading.value.relation]
    return f"{sign}{reading.value.text} {reading.value.unit}"


def _is_infinity(reading: Reading, ranges: Sequence[Range]) -> bool:
    if reading.value.relation is Relation.ABOVE:
        return True
    tops = [in_base(r.high, r.unit) for r in ranges if r.function is reading.function]
    return bool(tops) and reading.value.relation is Relation.EQUAL and reading.value.base >= max(tops)


def _zero_limit(reading: Reading, ranges: Sequence[Range], bands: Bands) -> Decimal:
    """Most that shorted leads may read, in the base unit."""
    if reading.function is Function.CONTINUITY:
        return bands.zero_nulled_ohm if Flag.NULLED in reading.flags else bands.zero_raw_ohm
    own = [r for r in ranges if r.function is reading.function and r.resolution is not None]
    if own:
        lowest = min(own, key=lambda r: in_base(r.high, r.unit))
        assert lowest.resolution is not None
        return in_base(lowest.resolution * bands.zero_insulation_steps, lowest.unit)
    if reading.function is Function.INSULATION:
        return in_base(bands.zero_insulation_mohm, "MOhm")
    return in_base(reading.value.resolution * bands.zero_insulation_steps, reading.value.unit)


def _reference_band(reading: Reading, ranges: Sequence[Range], bands: Bands, expect: Displayed) -> Decimal:
    for r in ranges:
        if r.function is reading.function and r.mark == reading.range_mark and r.percent is not None:
            steps = (r.digits or Decimal(0)) * (r.resolution or Decimal(0))
            return abs(expect.base) * r.percent / 100 + in_base(steps, r.unit)
    return abs(expect.base) * bands.reference_percent / 100


def _lead_resistance(point: Point, readings: Sequence[Reading]) -> str | None:
    """The least of what the joined leads read: no more is taken off a result than the leads have for certain."""
    first = readings[0]
    if point is not Point.ZERO or first.function is not Function.CONTINUITY or Flag.NULLED in first.flags:
        return None
    return format(min(reading.value.base for reading in readings), "f")


def carriers(key: ProofKey) -> tuple[Function, ...]:
    """Functions whose proof can stand in for this one, best first: a function without a meaningful zero and
    infinity of its own is carried by the meter's proven resistance function."""
    if key.function in ZERO_AND_INFINITY:
        return ()
    return (Function.CONTINUITY, Function.INSULATION)
