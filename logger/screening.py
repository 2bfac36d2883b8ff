"""May this reading count? The reasons for turning one away, all that apply, in their fixed order.

Pure: everything it looks at is handed in as one `Situation`. Changing the order or the words changes the record's
contract.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from enum import StrEnum

from logger.quantity import (
    DIMENSION_OF,
    FUNCTIONS_FOR,
    RCD_FUNCTIONS,
    WITH_TEST_VOLTAGE,
    Function,
    Test,
)
from logger.reading import Flag, Range, Reading


class Reason(StrEnum):
    """Why a reading is turned away, in the order in which they are told (interface, section 2)."""

    DAMAGED = "damaged"
    REPEAT = "repeat"
    LIVE_LEADS = "live-leads"
    METER_FAULT = "meter-fault"
    BATTERY_LOW = "battery-low"
    NOT_PROVEN = "not-proven"
    PROOF_LAPSED = "proof-lapsed"
    NO_SELECTION = "no-selection"
    WRONG_FUNCTION = "wrong-function"
    WRONG_UNIT = "wrong-unit"
    WRONG_VOLTAGE = "wrong-voltage"
    WRONG_SETTING = "wrong-setting"
    OUTSIDE_RANGE = "outside-range"


class Standing(StrEnum):
    """How the meter stands for this reading's function and voltage."""

    PROVEN = "proven"
    NOT_PROVEN = "not-proven"
    LAPSED = "proof-lapsed"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the present selection asks of a reading.

    Attributes:
        voltage: nominal test voltage in volts; None where the test has none.
        multiple, phase, rated: RCD setting asked for; None where it does not matter.
    """

    test: Test
    voltage: Decimal | None = None
    multiple: Decimal | None = None
    phase: Decimal | None = None
    rated: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Situation:
    """Everything around a reading that decides whether it may count.

    Attributes:
        wanted: the present selection; None while there is none or while a self-check uses the leads.
        ranges: every range that the meter announced; empty where it told none.
    """

    repeat: bool
    meter_fault: bool
    battery_low: bool
    standing: Standing
    wanted: Wanted | None
    ranges: Sequence[Range]


def screen(reading: Reading, situation: Situation) -> tuple[Reason, ...]:
    """All reasons against this reading, in order; empty when it is accepted."""
    reasons: list[Reason] = []
    if situation.repeat:
        reasons.append(Reason.REPEAT)
    if Flag.LIVE in reading.flags:
        reasons.append(Reason.LIVE_LEADS)
    if situation.meter_fault:
        reasons.append(Reason.METER_FAULT)
    if situation.battery_low or Flag.BATTERY_LOW in reading.flags:
        reasons.append(Reason.BATTERY_LOW)
    if situation.standing is Standing.NOT_PROVEN:
        reasons.append(Reason.NOT_PROVEN)
    elif situation.standing is Standing.LAPSED:
        reasons.append(Reason.PROOF_LAPSED)
    wanted = situation.wanted
    if wanted is None:
        reasons.append(Reason.NO_SELECTION)
    elif reading.function not in FUNCTIONS_FOR[wanted.test]:
        reasons.append(Reason.WRONG_FUNCTION)
    unit_fits = reading.value.dimension is DIMENSION_OF[reading.function]
    if not unit_fits:
        reasons.append(Reason.WRONG_UNIT)
    if wanted is not None:
        if _has_wrong_voltage(reading, wanted):
            reasons.append(Reason.WRONG_VOLTAGE)
        if _has_wrong_setting(reading, wanted):
            reasons.append(Reason.WRONG_SETTING)
    if unit_fits and _is_outside_range(reading, situation.ranges):
        reasons.append(Reason.OUTSIDE_RANGE)
    return tuple(reasons)


def _has_wrong_voltage(reading: Reading, wanted: Wanted) -> bool:
    if reading.function not in WITH_TEST_VOLTAGE or wanted.voltage is None:
        return False
    return _number(reading.voltage) != wanted.voltage


def _has_wrong_setting(reading: Reading, wanted: Wanted) -> bool:
    if reading.function not in RCD_FUNCTIONS:
        return False
    pairs = ((wanted.multiple, reading.multiple), (wanted.phase, reading.phase))
    if any(want is not None and _number(said) != want for want, said in pairs):
        return True
    return wanted.rated is not None and reading.rated is not None and _number(reading.rated) != wanted.rated


def _number(text: str | None) -> Decimal | None:
    try:
        return Decimal(text) if text is not None else None
    except InvalidOperation:
        return None


def ranges_for(reading: Reading, ranges: Sequence[Range]) -> list[Range]:
    """The announced ranges that this reading can have been taken on: the one it names, else all of its function."""
    own = [r for r in ranges if r.function is reading.function]
    named = [r for r in own if reading.range_mark and r.mark == reading.range_mark]
    return named or own


def _is_outside_range(reading: Reading, ranges: Sequence[Range]) -> bool:
    """Outside every range that it can have been taken on. A meter that told no ranges cannot be checked."""
    candidates = ranges_for(reading, ranges)
    if not candidates or not reading.value.number.is_finite():
        return False
    value = reading.value.base
    return not any(low <= value <= high for low, high in (r.ends_base for r in candidates))


def functions_for(test: Test) -> tuple[Function, ...]:
    """The functions that answer a test, in a stable order."""
    return tuple(sorted(FUNCTIONS_FOR[test]))
