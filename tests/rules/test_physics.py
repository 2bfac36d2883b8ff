"""Formulas by what must hold of them whatever the figures: monotony, limits, inverses, units."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from logger.rules.physics import appliances, conductors, insulation, loops
from logger.rules.reckoning.catalogue import reckon

megohms = st.decimals(min_value="0.01", max_value="9999", places=2)
ohms = st.decimals(min_value="0.01", max_value="99", places=2)
lengths = st.decimals(min_value="0.1", max_value="500", places=1)
temperatures = st.decimals(min_value="-20", max_value="90", places=1)
shares = st.decimals(min_value="0", max_value="1", places=3)
sections = st.sampled_from(sorted(conductors.OHM_PER_KM))

NEAR = Decimal("1E-18")


def near(one: Decimal, other: Decimal) -> bool:
    return abs(one - other) <= NEAR * max(abs(one), abs(other), Decimal(1))


@settings(deadline=None)
@given(st.lists(megohms, min_size=1, max_size=20))
def test_side_by_side_is_less_than_the_smallest(branches: list[Decimal]) -> None:
    total = insulation.parallel(branches)
    assert total <= min(branches) * (1 + NEAR)
    assert total >= min(branches) / len(branches) * (1 - NEAR)
    assert near(total, insulation.parallel(branches[::-1]))


@settings(deadline=None)
@given(st.lists(megohms, min_size=1, max_size=8), megohms)
def test_the_unknown_branch_is_found_again(branches: list[Decimal], one: Decimal) -> None:
    rest, whole = insulation.parallel(branches), insulation.parallel([*branches, one])
    assert abs(insulation.unknown_branch(whole, rest) - one) <= one * Decimal("1E-12")


@settings(deadline=None)
@given(megohms, temperatures, temperatures)
def test_insulation_there_and_back(measured: Decimal, here: Decimal, there: Decimal) -> None:
    moved = insulation.at_temperature(measured, here, there)
    assert near(insulation.at_temperature(moved, there, here), measured)
    assert (moved < measured) is (there > here) or moved == measured


def test_insulation_halves_in_ten_kelvins() -> None:
    assert insulation.at_temperature(Decimal(8), Decimal(20), Decimal(30)) == 4


def test_thermosetting_form_is_one_at_forty() -> None:
    assert insulation.thermoset_factor(Decimal(40)) == 1
    assert insulation.thermoset_factor(Decimal(41)) > 1 > insulation.thermoset_factor(Decimal(39))


@settings(deadline=None)
@given(ohms, ohms, shares)
def test_ring(r1: Decimal, r2: Decimal, share: Decimal) -> None:
    ring = conductors.Ring(r1, r1, r2)
    assert near(ring.line_earth_ohm(share), ring.line_earth_ohm(1 - share))
    assert ring.line_earth_ohm(share) <= ring.line_earth_ohm(Decimal("0.5")) * (1 + NEAR)
    assert near(ring.line_earth_ohm(Decimal("0.5")), (r1 + r2) / 4)
    assert near(ring.line_earth_ohm(Decimal(0)), r1 * r2 / (r1 + r2))
    assert ring.uncrossed_ohm(share) <= ring.line_earth_ohm(share) * (1 + NEAR)
    assert ring.uncrossed_ohm(Decimal(0)) == 0


@settings(deadline=None)
@given(sections, lengths, temperatures)
def test_conductor(section: Decimal, length: Decimal, temperature: Decimal) -> None:
    each = conductors.ohm_per_km(section)
    assert each is not None
    warm = conductors.resistance(each, length, temperature)
    assert warm > 0
    assert near(conductors.to_20_degrees(warm, temperature), conductors.resistance(each, length))
    assert near(conductors.implied_length(conductors.resistance(each, length), [each]), length)
    assert (conductors.resistance(each, 2 * length, temperature) - 2 * warm).copy_abs() <= NEAR


@pytest.mark.parametrize("conductor_class", conductors.CLASSES)
def test_a_thicker_conductor_has_less_resistance(conductor_class: int) -> None:
    row = [conductors.OHM_PER_KM[section][conductor_class] for section in sorted(conductors.OHM_PER_KM)]
    assert row == sorted(row, reverse=True)


@settings(deadline=None)
@given(ohms, ohms)
def test_band_holds_what_is_expected(expected: Decimal, half_width: Decimal) -> None:
    band = conductors.expected_band(expected, half_width)
    assert 0 <= band.low_ohm < band.expected_ohm < band.high_ohm
    assert band.high_ohm - expected > Decimal(0)


@settings(deadline=None)
@given(ohms, lengths, ohms, ohms)
def test_discharge(microfarads: Decimal, volts: Decimal, kilohms: Decimal, end: Decimal) -> None:
    assume(end > 0)
    capacitance, resistance = microfarads / 1_000_000, kilohms * 1000
    seconds = insulation.discharge_time(capacitance, resistance, volts, end)
    assert seconds >= 0
    assert (seconds == 0) is (volts <= end)
    if volts > end:
        assert insulation.discharge_time(capacitance, resistance, volts, end * Decimal("0.9")) > seconds
        bleed = insulation.largest_bleed(capacitance, volts, end, seconds)
        assert abs(bleed - resistance) <= resistance * Decimal("1E-12")


@settings(deadline=None)
@given(lengths, lengths)
def test_cord(one: Decimal, other: Decimal) -> None:
    rule = tuple(map(Decimal, ("0.3", "5", "0.1", "7.5", "1.0")))
    short, long = (appliances.cord_earth_limits(length, *rule) for length in sorted((one, other)))
    for pro_rata, stepped in (short, long):
        assert Decimal("0.3") <= pro_rata <= stepped <= 1
        assert stepped - pro_rata < Decimal("0.1")
    assert short[0] <= long[0]
    assert short[1] <= long[1]


@settings(deadline=None)
@given(ohms, ohms)
def test_fault_current(one: Decimal, other: Decimal) -> None:
    low, high = sorted((one, other))
    volts = Decimal(230)
    assert loops.fault_current(volts, low) >= loops.fault_current(volts, high)
    assert near(loops.fault_current(volts, loops.loop_limit(volts, Decimal(160))), Decimal(160))


@settings(deadline=None)
@given(st.lists(ohms, min_size=3, max_size=3))
def test_fall_of_potential(readings: list[Decimal]) -> None:
    found = loops.fall_of_potential(readings)
    assert min(readings) * (1 - NEAR) <= found.resistance_ohm <= max(readings) * (1 + NEAR)
    assert (found.deviation_percent == 0) is (len(set(readings)) == 1)


UNITS_FOR = {"MOhm": ("MOhm", "kOhm", "Ohm"), "m": ("m", "cm", "km")}
PER = {"kOhm": Decimal(1000), "Ohm": Decimal(10**6), "cm": Decimal(100), "km": Decimal("0.001")}


@settings(deadline=None)
@given(megohms, lengths, lengths, st.data())
def test_the_unit_that_is_typed_changes_nothing(
    resistance: Decimal, measured: Decimal, length: Decimal, data: st.DataObject
) -> None:
    def typed(name: str, number: Decimal, unit: str) -> str:
        written = data.draw(st.sampled_from(UNITS_FOR[unit]))
        return f"{name}={number * PER.get(written, 1):f}{written}"

    plain = reckon("insulation-by-length", [f"resistance={resistance}", f"measured={measured}", f"length={length}"])
    other = reckon(
        "insulation-by-length",
        [typed("resistance", resistance, "MOhm"), typed("measured", measured, "m"), typed("length", length, "m")],
    )
    assert near(plain.results[""].number, other.results[""].number)
