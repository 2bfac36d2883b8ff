"""What the simulated meter displays: ranges, resolution, over and under range, and never more error than it admits."""

from __future__ import annotations

from decimal import Decimal
from math import inf
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulator.scale import RANGES, SHOWN_FROM, Scale
from logger.quantity import DIMENSION_OF, UNITS, Function, Relation


def scale(seed: int = 1) -> tuple[Scale, Random]:
    return Scale(Random(f"{seed} calibration")), Random(seed)


@given(st.sampled_from(sorted(RANGES)), st.floats(0, 3000), st.integers(0, 50))
def test_the_error_stays_inside_the_makers_accuracy(function: Function, in_unit: float, seed: int) -> None:
    display, noise = scale(seed)
    unit = RANGES[function][0].unit
    for _ in range(5):
        shown = display.show(function, in_unit * 10.0 ** UNITS[unit].power, noise)
        found, value = shown.range, shown.value
        assert value.unit == unit
        if value.relation is Relation.ABOVE:
            assert in_unit > found.high == value.number
        elif value.relation is Relation.BELOW:
            assert value.number == SHOWN_FROM[function]
            assert in_unit < 2 * float(value.number)
        else:
            allowed = in_unit * float(found.percent or 0) / 100 + float((found.digits or 0) * (found.resolution or 0))
            allowed = max(allowed, float(found.resolution or 0) / 2)
            assert abs(float(value.number) - in_unit) <= allowed * (1 + 1e-9)
            assert 0 <= value.number <= found.high
            assert value.resolution == found.resolution or found.resolution == 1


@pytest.mark.parametrize(("ohm", "mark", "places"), [(0.0, "1", 2), (3.2e6, "1", 2), (52e6, "2", 1), (640e6, "3", 0)])
def test_the_range_follows_the_quantity(ohm: float, mark: str, places: int) -> None:
    display, noise = scale()
    shown = display.show(Function.INSULATION, ohm, noise)
    assert shown.range.mark == mark
    assert len(shown.value.text.partition(".")[2]) == places


def test_over_range_tells_the_top_of_the_highest_range() -> None:
    display, noise = scale()
    for ohm in (1.001e9, 1e15, inf):
        shown = display.show(Function.INSULATION, ohm, noise).value
        assert (shown.relation, shown.text, shown.unit) == (Relation.ABOVE, "1000", "MOhm")


def test_the_range_does_not_flicker_at_its_edge() -> None:
    display, noise = scale()
    marks = [display.show(Function.INSULATION, ohm * 1e6, noise).range.mark for ohm in (19.9, 20.1, 19.9, 18.5, 17.9)]
    assert marks == ["1", "2", "2", "2", "1"]


def test_under_range_is_told_where_such_a_meter_has_a_floor() -> None:
    display, noise = scale()
    shown = display.show(Function.EARTH_LOOP, 0.001, noise).value
    assert (shown.relation, shown.text) == (Relation.BELOW, "0.05")


@pytest.mark.parametrize("seed", range(30))
def test_shorted_leads_stay_inside_the_zero_band(seed: int) -> None:
    display, noise = scale(seed)
    for _ in range(50):
        assert display.show(Function.INSULATION, 0.2, noise).value.number <= Decimal("0.02")
        assert display.show(Function.CONTINUITY, 0.0, noise).value.number <= Decimal("0.05")
        assert display.show(Function.CONTINUITY, 0.18, noise).value.number <= Decimal("1.00")


def test_ranges_measure_what_their_function_measures() -> None:
    for function, ranges in RANGES.items():
        assert {UNITS[found.unit].dimension for found in ranges} == {DIMENSION_OF[function]}
        assert [found.high for found in ranges] == sorted(found.high for found in ranges)
    assert RANGES[Function.INSULATION][0].voltages == ("250", "500", "1000")


def test_two_meters_differ_and_one_is_itself() -> None:
    shown = [[scale(seed)[0].show(Function.VOLTAGE_AC, 230, Random(0)).value.text] for seed in (1, 1, 2, 3)]
    assert shown[0] == shown[1]
    assert len({text for (text,) in shown}) > 1
