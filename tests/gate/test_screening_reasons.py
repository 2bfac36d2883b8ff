"""Every reason for turning a reading away, alone and together, in the contract's order."""

from __future__ import annotations

from decimal import Decimal

import pytest

from logger.quantity import Displayed, Function, Relation, Test
from logger.reading import Flag, Range, Reading
from logger.screening import Reason, Situation, Standing, Wanted, screen

MEGOHMS = Range(Function.INSULATION, "1", "MOhm", Decimal(0), Decimal(1000), Decimal(1))
WANTED = Wanted(Test.INSULATION, Decimal(500))


def reading(value: str = "412", unit: str = "MOhm", **said: object) -> Reading:
    said.setdefault("voltage", "500")
    function = said.pop("function", Function.INSULATION)
    return Reading(7, function, Displayed(value, unit, Relation.EQUAL), **said)  # type: ignore[arg-type]


def situation(**differs: object) -> Situation:
    usual = {
        "repeat": False,
        "meter_fault": False,
        "battery_low": False,
        "standing": Standing.PROVEN,
        "wanted": WANTED,
        "ranges": (MEGOHMS,),
    }
    return Situation(**{**usual, **differs})  # type: ignore[arg-type]


def test_a_good_reading_has_no_reason_against_it() -> None:
    assert screen(reading(), situation()) == ()


@pytest.mark.parametrize(
    ("which", "around", "reason"),
    [
        (reading(), situation(repeat=True), "repeat"),
        (reading(flags=frozenset({Flag.LIVE})), situation(), "live-leads"),
        (reading(), situation(meter_fault=True), "meter-fault"),
        (reading(), situation(battery_low=True), "battery-low"),
        (reading(flags=frozenset({Flag.BATTERY_LOW})), situation(), "battery-low"),
        (reading(), situation(standing=Standing.NOT_PROVEN), "not-proven"),
        (reading(), situation(standing=Standing.LAPSED), "proof-lapsed"),
        (reading(), situation(wanted=None), "no-selection"),
        (reading("0.4", "Ohm", function=Function.CONTINUITY), situation(), "wrong-function"),
        (reading("412", "V"), situation(), "wrong-unit"),
        (reading(voltage="250"), situation(), "wrong-voltage"),
        (reading(voltage=None), situation(), "wrong-voltage"),
        (reading("1001"), situation(), "outside-range"),
    ],
)
def test_one_thing_wrong_is_one_reason(which: Reading, around: Situation, reason: str) -> None:
    assert screen(which, around) == (reason,)


def test_all_reasons_are_told_in_the_fixed_order() -> None:
    everything = screen(
        reading("1001", voltage="250", flags=frozenset({Flag.LIVE, Flag.BATTERY_LOW})),
        situation(repeat=True, meter_fault=True, standing=Standing.NOT_PROVEN),
    )
    assert list(everything) == [
        "repeat",
        "live-leads",
        "meter-fault",
        "battery-low",
        "not-proven",
        "wrong-voltage",
        "outside-range",
    ]
    assert list(everything) == [reason for reason in Reason if reason in everything]


def test_a_voltage_written_otherwise_is_the_same_voltage() -> None:
    assert screen(reading(voltage="500.0"), situation()) == ()


@pytest.mark.parametrize(
    ("said", "reasons"),
    [
        ({"multiple": "5", "phase": "180"}, ()),
        ({"multiple": "1", "phase": "180"}, ("wrong-setting",)),
        ({"multiple": "5"}, ("wrong-setting",)),
        ({"multiple": "5", "phase": "180", "rated": "100"}, ("wrong-setting",)),
    ],
)
def test_an_rcd_reading_must_be_taken_at_the_setting_asked_for(said: dict[str, str], reasons: tuple[str, ...]) -> None:
    wanted = Wanted(Test.RCD_TIME, None, Decimal(5), Decimal(180), Decimal(30))
    taken = reading("22", "ms", function=Function.RCD_TIME, voltage=None, **said)
    assert screen(taken, situation(wanted=wanted, ranges=())) == reasons


def test_a_range_in_another_unit_of_the_dimension_is_compared_in_ohms() -> None:
    assert screen(reading("999999", "kOhm"), situation()) == ()
    assert screen(reading("1000001", "kOhm"), situation()) == ("outside-range",)


def test_a_reading_that_names_its_range_must_lie_in_that_one() -> None:
    low = Range(Function.INSULATION, "low", "MOhm", Decimal(0), Decimal(20), Decimal("0.01"))
    assert screen(reading("25", range_mark="low"), situation(ranges=(low, MEGOHMS))) == ("outside-range",)
    assert screen(reading("25"), situation(ranges=(low, MEGOHMS))) == ()
