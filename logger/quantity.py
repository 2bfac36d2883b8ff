"""Functions, units and displayed values: the closed lists that everything else uses.

A unit on the wire is one of the UCUM codes below and nothing else: wire text never reaches a general
unit parser (`logger.units` is for what people type). A displayed value keeps the digits as they were
shown, since the last place is the resolution.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Final


class Function(StrEnum):
    """What a meter can measure (Meter Line Protocol, `fn`)."""

    INSULATION = "insulation"
    CONTINUITY = "continuity"
    EARTH_LOOP = "earth-loop"
    LINE_LOOP = "line-loop"
    RCD_TIME = "rcd-time"
    RCD_CURRENT = "rcd-current"
    EARTH_ELECTRODE = "earth-electrode"
    VOLTAGE_AC = "voltage-ac"
    VOLTAGE_DC = "voltage-dc"
    PHASE_ROTATION = "phase-rotation"
    PROTECTIVE_CURRENT = "protective-current"
    TOUCH_CURRENT = "touch-current"
    SUBSTITUTE_CURRENT = "substitute-current"
    POWER = "power"
    CAPACITANCE = "capacitance"
    POLARITY = "polarity"


class Relation(StrEnum):
    """How the displayed figure stands to the measured quantity."""

    EQUAL = "eq"
    ABOVE = "gt"
    """Over range: the quantity is above the figure."""
    BELOW = "lt"
    """Under range: the quantity is below the figure."""


class Dimension(StrEnum):
    """What kind of quantity a unit measures."""

    RESISTANCE = "resistance"
    VOLTAGE = "voltage"
    CURRENT = "current"
    TIME = "time"
    TEMPERATURE = "temperature"
    FREQUENCY = "frequency"
    POWER = "power"
    CAPACITANCE = "capacitance"
    NUMBER = "number"


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of the closed list.

    Attributes:
        code: UCUM case-sensitive code, as on the wire and in the record.
        sign: how a screen writes it.
        dimension: what it measures.
        power: base unit times 10 to this power (Ohm, V, A, s, Cel, Hz, W, F, 1 are base).
    """

    code: str
    sign: str
    dimension: Dimension
    power: int


UNITS: Final[dict[str, Unit]] = {
    unit.code: unit
    for unit in (
        Unit("Ohm", "Ω", Dimension.RESISTANCE, 0),
        Unit("kOhm", "kΩ", Dimension.RESISTANCE, 3),
        Unit("MOhm", "MΩ", Dimension.RESISTANCE, 6),
        Unit("GOhm", "GΩ", Dimension.RESISTANCE, 9),
        Unit("V", "V", Dimension.VOLTAGE, 0),
        Unit("mV", "mV", Dimension.VOLTAGE, -3),
        Unit("A", "A", Dimension.CURRENT, 0),
        Unit("mA", "mA", Dimension.CURRENT, -3),
        Unit("uA", "µA", Dimension.CURRENT, -6),
        Unit("ms", "ms", Dimension.TIME, -3),
        Unit("s", "s", Dimension.TIME, 0),
        Unit("Cel", "°C", Dimension.TEMPERATURE, 0),
        Unit("Hz", "Hz", Dimension.FREQUENCY, 0),
        Unit("W", "W", Dimension.POWER, 0),
        Unit("nF", "nF", Dimension.CAPACITANCE, -9),
        Unit("uF", "µF", Dimension.CAPACITANCE, -6),
        Unit("1", "", Dimension.NUMBER, 0),
    )
}

DIMENSION_OF: Final[dict[Function, Dimension]] = {
    Function.INSULATION: Dimension.RESISTANCE,
    Function.CONTINUITY: Dimension.RESISTANCE,
    Function.EARTH_LOOP: Dimension.RESISTANCE,
    Function.LINE_LOOP: Dimension.RESISTANCE,
    Function.EARTH_ELECTRODE: Dimension.RESISTANCE,
    Function.RCD_TIME: Dimension.TIME,
    Function.RCD_CURRENT: Dimension.CURRENT,
    Function.VOLTAGE_AC: Dimension.VOLTAGE,
    Function.VOLTAGE_DC: Dimension.VOLTAGE,
    Function.PHASE_ROTATION: Dimension.NUMBER,
    Function.PROTECTIVE_CURRENT: Dimension.CURRENT,
    Function.TOUCH_CURRENT: Dimension.CURRENT,
    Function.SUBSTITUTE_CURRENT: Dimension.CURRENT,
    Function.POWER: Dimension.POWER,
    Function.CAPACITANCE: Dimension.CAPACITANCE,
    Function.POLARITY: Dimension.NUMBER,
}

WITH_TEST_VOLTAGE: Final = frozenset({Function.INSULATION})
"""Functions that put a chosen d.c. test voltage on the leads: their proof is per voltage."""

ZERO_AND_INFINITY: Final = frozenset({Function.INSULATION, Function.CONTINUITY})
"""Resistance functions that a person can prove by shorting and parting the leads."""

RCD_FUNCTIONS: Final = frozenset({Function.RCD_TIME, Function.RCD_CURRENT})


class Test(StrEnum):
    """What is being proven about an item (interface, section 2)."""

    __test__ = False  # not a test class, whatever pytest makes of the name

    VISUAL = "visual"
    EARTH_CONTINUITY = "earth-continuity"
    RING_CONTINUITY = "ring-continuity"
    INSULATION = "insulation"
    POLARITY = "polarity"
    CONNECTIONS = "connections"
    EARTH_ELECTRODE = "earth-electrode"
    EARTH_LOOP = "earth-loop"
    LINE_LOOP = "line-loop"
    RCD_TIME = "rcd-time"
    RCD_CURRENT = "rcd-current"
    PHASE_ROTATION = "phase-rotation"
    VOLTAGE = "voltage"
    FUNCTION = "function"
    PROTECTIVE_CURRENT = "protective-current"
    TOUCH_CURRENT = "touch-current"
    SUBSTITUTE_CURRENT = "substitute-current"


FUNCTIONS_FOR: Final[dict[Test, frozenset[Function]]] = {
    Test.VISUAL: frozenset(),
    Test.EARTH_CONTINUITY: frozenset({Function.CONTINUITY}),
    Test.RING_CONTINUITY: frozenset({Function.CONTINUITY}),
    Test.INSULATION: frozenset({Function.INSULATION}),
    Test.POLARITY: frozenset({Function.POLARITY}),
    Test.CONNECTIONS: frozenset(),
    Test.EARTH_ELECTRODE: frozenset({Function.EARTH_ELECTRODE}),
    Test.EARTH_LOOP: frozenset({Function.EARTH_LOOP}),
    Test.LINE_LOOP: frozenset({Function.LINE_LOOP}),
    Test.RCD_TIME: frozenset({Function.RCD_TIME}),
    Test.RCD_CURRENT: frozenset({Function.RCD_CURRENT}),
    Test.PHASE_ROTATION: frozenset({Function.PHASE_ROTATION}),
    Test.VOLTAGE: frozenset({Function.VOLTAGE_AC, Function.VOLTAGE_DC}),
    Test.FUNCTION: frozenset({Function.POWER}),
    Test.PROTECTIVE_CURRENT: frozenset({Function.PROTECTIVE_CURRENT}),
    Test.TOUCH_CURRENT: frozenset({Function.TOUCH_CURRENT}),
    Test.SUBSTITUTE_CURRENT: frozenset({Function.SUBSTITUTE_CURRENT}),
}
"""The meter functions whose readings can answer a test."""

JUDGED_BY_A_PERSON: Final = frozenset({Test.VISUAL, Test.POLARITY, Test.CONNECTIONS, Test.FUNCTION})
"""Tests whose outcome a person may say (`judge`)."""

LIVE_TESTS: Final = frozenset(
    {
        Test.EARTH_LOOP,
        Test.LINE_LOOP,
        Test.RCD_TIME,
        Test.RCD_CURRENT,
        Test.PHASE_ROTATION,
        Test.VOLTAGE,
        Test.FUNCTION,
    }
)
"""Tests that need the supply on."""

DECIMAL_TEXT: Final = re.compile(r"-?(?=[0-9.]*[0-9])[0-9]*(?:\.[0-9]*)?\Z", re.ASCII)
"""A decimal as a display shows it: no exponent, optional sign, at most one point, at least one digit."""

MAX_DIGITS: Final = 18
"""Most digits a wire number may have (Meter Line Protocol, section 1)."""


@dataclass(frozen=True, slots=True)
class Displayed:
    """A figure as a meter showed it.

    Attributes:
        text: the digits as shown, or `inf` where a person read an infinity mark off a dial.
        unit: UCUM code; always a key of `UNITS`.
        relation: measured, over range or under range.
    """

    text: str
    unit: str
    relation: Relation = Relation.EQUAL

    @property
    def number(self) -> Decimal:
        """The figure in its own unit, exact; `Infinity` for `inf`."""
        return Decimal(self.text)

    @property
    def base(self) -> Decimal:
        """The figure in the base unit of its dimension (Ohm, V, A, s …), exact."""
        return in_base(self.number, self.unit)

    @property
    def resolution(self) -> Decimal:
        """One step of the last place shown, in the figure's own unit (0.01 for `1.20`)."""
        _, _, places = self.text.partition(".")
        return Decimal(1).scaleb(-len(places))

    @property
    def dimension(self) -> Dimension:
        """What the unit measures."""
        return UNITS[self.unit].dimension


def in_base(number: Decimal, unit: str) -> Decimal:
    """`number` of `unit` (a UCUM code of the closed list) in its base unit, exact."""
    return number.scaleb(UNITS[unit].power) if number.is_finite() else number


def in_unit(number: Decimal, source: str, target: str) -> Decimal:
    """`number` of unit `source` in unit `target`; both UCUM codes of one dimension, exact.

    Raises:
        ValueError: if the dimensions differ.
    """
    if UNITS[source].dimension is not UNITS[target].dimension:
        raise ValueError(f"{source} and {target} do not measure the same kind of quantity")
    return number.scaleb(UNITS[source].power - UNITS[target].power) if number.is_finite() else number


def is_decimal(text: str) -> bool:
    """Whether `text` is a number as the protocol writes them (at most 18 digits, no exponent)."""
    return bool(DECIMAL_TEXT.match(text)) and sum(c.isdigit() for c in text) <= MAX_DIGITS
