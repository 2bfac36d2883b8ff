"""The simulated meter's functions and ranges, and how it turns a quantity into what it displays.

Its error is the maker's accuracy: a part that is the same for every reading of a function (this very meter's
calibration) and a part that differs from reading to reading. Together they never leave ±(percent + digits).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from random import Random
from typing import Final

from logger.quantity import UNITS, Displayed, Function, Relation
from logger.reading import Range

INSULATION_VOLTAGES: Final = ("250", "500", "1000")

SAME_EVERY_TIME: Final = 0.5
"""Share of the accuracy that is this meter's own and the same for all readings."""

SPREAD_PERCENT: Final = 0.1
SPREAD_STEPS: Final = 0.25
"""Standard deviation from reading to reading: a share of the percent figure, and of one step of the display."""

DOWN_AT: Final = 0.9
"""A lower range is taken once the quantity is below this share of its top, so that the range does not flicker."""


def _ranges(
    function: Function, unit: str, tops: Iterable[str], percent: str, digits: int, voltages: tuple[str, ...] = ()
) -> tuple[Range, ...]:
    """Ranges from 0 to each top; the places written after the point are the resolution."""
    return tuple(
        Range(
            function,
            str(mark),
            unit,
            Decimal(0),
            Decimal(top),
            Decimal(1).scaleb(-len(top.partition(".")[2])),
            Decimal(percent),
            Decimal(digits),
            voltages,
        )
        for mark, top in enumerate(tops, start=1)
    )


_LOOP_TOPS: Final = ("20.00", "200.0", "2000")

RANGES: Final[dict[Function, tuple[Range, ...]]] = {
    Function.INSULATION: _ranges(Function.INSULATION, "MOhm", ("20.00", "200.0", "1000"), "3", 2, INSULATION_VOLTAGES),
    Function.CONTINUITY: _ranges(Function.CONTINUITY, "Ohm", ("20.00", "200.0", "2000"), "2", 2),
    Function.EARTH_LOOP: _ranges(Function.EARTH_LOOP, "Ohm", _LOOP_TOPS, "5", 3),
    Function.LINE_LOOP: _ranges(Function.LINE_LOOP, "Ohm", _LOOP_TOPS, "5", 3),
    Function.RCD_TIME: _ranges(Function.RCD_TIME, "ms", ("500.0",), "2", 2),
    Function.RCD_CURRENT: _ranges(Function.RCD_CURRENT, "mA", ("100.0", "1000"), "5", 2),
    Function.EARTH_ELECTRODE: _ranges(Function.EARTH_ELECTRODE, "Ohm", _LOOP_TOPS, "2", 3),
    Function.VOLTAGE_AC: _ranges(Function.VOLTAGE_AC, "V", ("500.0",), "1", 2),
    Function.POLARITY: _ranges(Function.POLARITY, "1", ("2",), "0", 0),
    Function.PROTECTIVE_CURRENT: _ranges(Function.PROTECTIVE_CURRENT, "mA", ("20.00",), "5", 3),
    Function.TOUCH_CURRENT: _ranges(Function.TOUCH_CURRENT, "mA", ("2.000",), "5", 3),
    Function.SUBSTITUTE_CURRENT: _ranges(Function.SUBSTITUTE_CURRENT, "mA", ("20.00",), "5", 3),
}

SHOWN_FROM: Final[dict[Function, Decimal]] = {
    Function.EARTH_LOOP: Decimal("0.05"),
    Function.LINE_LOOP: Decimal("0.05"),
    Function.RCD_TIME: Decimal("1.0"),
}
"""Below this, in the unit of the ranges, such a meter does not show a figure but that it is under range."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What stands on the display, and the range it was read on."""

    value: Displayed
    range: Range


class Scale:
    """The display of one meter. Its own errors come from `calibration`; it remembers its range as a dial does."""

    def __init__(self, calibration: Random) -> None:
        self._own = {function: calibration.uniform(-SAME_EVERY_TIME, SAME_EVERY_TIME) for function in RANGES}
        self._place: dict[Function, int] = {}

    def show(self, function: Function, base: float, noise: Random) -> Shown:
        """`base` (in the base unit of the function; infinite for no value at all) as it is displayed."""
        ranges = RANGES[function]
        unit = ranges[0].unit
        exact = base / 10.0 ** UNITS[unit].power
        place = self._range_for(function, exact)
        spread = noise.gauss()
        found = ranges[place]
        if exact > found.high:
            return Shown(Displayed(_text(found.high, found), unit, Relation.ABOVE), found)
        seen = max(0.0, exact + self._error(found, exact, spread))
        if seen > found.high:
            seen = float(found.high)
        floor = SHOWN_FROM.get(function)
        if floor is not None and seen < floor:
            return Shown(Displayed(_text(floor, found), unit, Relation.BELOW), found)
        return Shown(Displayed(_text(Decimal(seen), found), unit), found)

    def _range_for(self, function: Function, exact: float) -> int:
        ranges = RANGES[function]
        place = self._place.get(function, 0)
        while place < len(ranges) - 1 and exact > ranges[place].high:
            place += 1
        while place > 0 and exact < DOWN_AT * float(ranges[place - 1].high):
            place -= 1
        self._place[function] = place
        return place

    def _error(self, found: Range, exact: float, spread: float) -> float:
        percent, digits, step = (float(part or 0) for part in (found.percent, found.digits, found.resolution))
        share = exact * percent / 100
        bound = share + max(0.0, digits - 0.5) * step  # half a step is left for rounding
        error = self._own[found.function] * share + spread * (SPREAD_PERCENT * share + SPREAD_STEPS * step)
        return min(bound, max(-bound, error))


def _text(number: Decimal, found: Range) -> str:
    step = found.resolution or Decimal(1)
    return format(number.quantize(step, ROUND_HALF_EVEN), "f")


def in_words(value: Displayed) -> str:
    """What a person reads off the display: `>1000 MOhm`."""
    sign = {Relation.EQUAL: "", Relation.ABOVE: ">", Relation.BELOW: "<"}[value.relation]
    return f"{sign}{value.text} {value.unit}"
