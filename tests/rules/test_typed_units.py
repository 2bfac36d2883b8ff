"""Units as people type them: what is understood, what is refused and how; pint for dimension and conversion."""

from __future__ import annotations

import subprocess
import sys
import unicodedata
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import UnitUnknown
from logger.quantity import UNITS
from logger.units import PINT_NAMES, canonical, convert, parse_any, parse_quantity, same_dimension


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("MΩ", "MOhm"),
        ("M\u2126", "MOhm"),
        ("MOhm", "MOhm"),
        ("megohm", "MOhm"),
        ("㏁", "MOhm"),
        ("kΩ", "kOhm"),
        ("Kohm", "kOhm"),
        ("Ω", "Ohm"),
        ("ohms", "Ohm"),
        ("GΩ", "GOhm"),
        ("µA", "uA"),
        ("\u03bcA", "uA"),
        ("mA", "mA"),
        ("ms", "ms"),
        ("°C", "Cel"),
        ("℃", "Cel"),
        ("volts", "V"),
        ("nF", "nF"),
        *((code, code) for code in UNITS),
    ],
)
def test_understood(text: str, code: str) -> None:
    assert canonical(text) == code


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("mohm", "can be read as milliohm or as megohm: write mOhm or MOhm"),
        ("MA", "milliampere or as ampere"),
        ("M", "metre or as megohm"),
        ("MV", "millivolt or as volt"),
        ("mΩ", "m is milli, M is mega"),
        ("OL", "no unit that is known here"),
        ("VAC", "no unit"),
        ("molar", "no unit"),
        ("", "no unit"),
        ("Ohm Ohm", "no unit"),
        ("\x1b[31mV", "␛[31mV"),
        ("mm2", "No meter shows mm2"),
    ],
)
def test_refused(text: str, part: str) -> None:
    with pytest.raises(UnitUnknown) as refused:
        canonical(text)
    assert part in str(refused.value)
    assert "\x1b" not in str(refused.value)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("28 m", "m", "28"),
        ("28", "m", "28"),
        ("2800 cm", "m", "28"),
        ("2,5 mm²", "mm2", "2.5"),
        ("2.5mm^2", "mm2", "2.5"),
        ("1.5 qmm", "mm2", "1.5"),
        ("0,375 Ω", "Ohm", "0.375"),
        ("350 mΩ", "Ohm", "0.350"),
        ("500 kΩ", "MOhm", "0.5"),
        ("100nF", "F", "0.0000001"),
        ("−5 °C", "Cel", "-5"),
        ("300 K", "Cel", "26.85"),
        ("10 min", "s", "600"),
        ("1e3 V", "V", "1000"),
        ("\u00a030\u202fmA", "A", "0.030"),
    ],
)
def test_quantities(text: str, unit: str, expected: str) -> None:
    typed = parse_quantity(text, unit)
    assert convert(typed.number, typed.unit, unit) == Decimal(expected)


@pytest.mark.parametrize(
    ("text", "unit", "part"),
    [
        ("1,500 V", "V", "can be read in two ways: write 1.500 or 1500"),
        ("1,234.5", "V", "cannot be told: write one point and nothing between the thousands, such as 1234.5"),
        ("1.234,5 V", "V", "such as 1234.5"),
        ("1,234,567 V", "V", "such as 1234567"),
        ("1.2.3 V", "V", "has several commas or points"),
        ("1 000 m", "m", "is two numbers: write one, with nothing between the thousands"),
        ("28 V", "m", '"28 V" is a voltage, not a length: give it in m'),
        ("5 mΩ", "MOhm", "is in milliohm, and insulation is measured in megohm"),
        ("5 mohm", "Ohm", "milliohm or as megohm"),
        ("1 k", "Ohm", "kilohm or as kilometre"),
        ("0.8 PF", "1", "no unit"),
        ("1 V V", "V", "no unit"),
        ("1_0 V", "V", "no unit"),
        ("5² V", "V", "no unit"),
        ("٣ V", "V", "does not begin with a number"),
        ("inf V", "V", "does not begin with a number"),
        ("nan", "V", "does not begin with a number"),
        ("", "V", "does not begin with a number"),
        ("9" * 200, "V", "too long"),
        ("1e999 V", "V", "no unit"),
    ],
)
def test_quantities_refused(text: str, unit: str, part: str) -> None:
    with pytest.raises(UnitUnknown) as refused:
        parse_quantity(text, unit)
    assert part in str(refused.value)


def test_pint_agrees_with_the_closed_list() -> None:
    for code, unit in UNITS.items():
        base = next(other for other in UNITS.values() if other.dimension is unit.dimension)
        assert same_dimension(code, base.code)
        if code not in {"Cel", "1"}:
            assert convert(Decimal("512.30"), code, base.code) == Decimal("512.30").scaleb(unit.power - base.power)


def test_conversion_of_unlike_units_is_refused() -> None:
    with pytest.raises(UnitUnknown, match="do not measure the same"):
        convert(Decimal(1), "V", "A")


def test_any_unit() -> None:
    assert parse_any("0.47 ohm").unit == "Ohm"
    assert parse_any("0,47").unit == "1"


@settings(deadline=None)
@given(st.text(max_size=40), st.sampled_from(sorted(PINT_NAMES)))
def test_any_text_is_a_quantity_or_refused(text: str, unit: str) -> None:
    try:
        typed = parse_quantity(text, unit)
    except UnitUnknown as refused:
        assert not any(unicodedata.category(character) in {"Cc", "Cf"} for character in str(refused))
    else:
        assert typed.number.is_finite()
        assert same_dimension(typed.unit, unit)


@settings(deadline=None)
@given(st.decimals(min_value=0, max_value=999, places=2))
def test_a_comma_is_never_a_thousand(number: Decimal) -> None:
    assert parse_quantity(f"{number}".replace(".", ","), "V").number == number


def test_pint_is_not_loaded_before_it_is_needed() -> None:
    code = "import sys, logger.units, logger.rules.pack, logger.rules.verdict; sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
