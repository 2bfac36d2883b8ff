"""Units that people type: the only module that knows pint, and it knows it for two things: dimension and conversion.

The number is read here by a lexer of our own and never by pint, which would take a decimal comma for a thousand, `1 M`
for a molar and `1 k` for a constant. The unit is looked up in a closed table of what people write; pint is handed the
table's names and exact decimals. Text from a wire never comes here: `logger.quantity` holds its closed list.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from logger.errors import UnitUnknown
from logger.quantity import UNITS
from logger.text import harmless

if TYPE_CHECKING:
    from pint import UnitRegistry

# Longest quantity that is read, characters: a number of 18 digits and a long unit name fit five times.
QUANTITY_CHARACTERS_AT_MOST: Final = 120


@dataclass(frozen=True, slots=True)
class Typed:
    """A quantity as somebody typed it.

    Attributes:
        number: exact.
        unit: code of the unit, a key of `PINT_NAMES`: UCUM, and the same form for what a wire never carries.
    """

    number: Decimal
    unit: str


_BASES: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "Ohm": ("ohm", ("Ω", "Ohm", "ohm", "Ohms", "ohms", "OHM")),
    "V": ("volt", ("V", "v", "volt", "volts", "Volt")),
    "A": ("ampere", ("A", "a", "amp", "amps", "ampere", "amperes", "Amp")),
    "W": ("watt", ("W", "w", "watt", "watts", "Watt")),
    "F": ("farad", ("F", "f", "farad", "farads")),
    "Hz": ("hertz", ("Hz", "hz", "hertz")),
    "s": ("second", ("s", "sec", "secs", "second", "seconds")),
    "m": ("meter", ("m", "metre", "metres", "meter", "meters")),
}
"""Units that take a prefix: their code, pint's name, and how people write them."""

_PREFIXES: Final[dict[str, tuple[str, str]]] = {
    "p": ("p", "pico"),
    "n": ("n", "nano"),
    "u": ("u", "micro"),
    "μ": ("u", "micro"),
    "m": ("m", "milli"),
    "k": ("k", "kilo"),
    "K": ("k", "kilo"),
    "M": ("M", "mega"),
    "G": ("G", "giga"),
}
"""How people write a prefix: its code and pint's name."""

_WHOLE: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "MOhm": ("megaohm", ("megohm", "megohms", "megaohm", "megaohms", "Megohm", "meg")),
    "kOhm": ("kiloohm", ("kilohm", "kilohms", "kiloohm")),
    "mOhm": ("milliohm", ("milliohm", "milliohms")),
    "mA": ("milliampere", ("milliamp", "milliamps", "milliampere")),
    "cm": ("centimeter", ("cm",)),
    "mm2": ("millimeter ** 2", ("mm2", "mm^2", "sqmm", "qmm")),
    "min": ("minute", ("min", "minute", "minutes")),
    "h": ("hour", ("h", "hour", "hours")),
    "Cel": ("degree_Celsius", ("°C", "Cel", "degC", "C", "ºC", "°c")),
    "K": ("kelvin", ("K", "kelvin")),
    "[degF]": ("degree_Fahrenheit", ("°F", "degF")),
    "%": ("percent", ("%", "percent")),
    "1": ("dimensionless", ("1",)),
}
"""Units written whole."""


_MEASURES: Final = {
    code: word
    for word, codes in {
        "resistance": ("Ohm",),
        "voltage": ("V",),
        "current": ("A",),
        "power": ("W",),
        "capacitance": ("F",),
        "frequency": ("Hz",),
        "time": ("s", "min", "h"),
        "length": ("m",),
        "section": ("mm2",),
        "temperature": ("Cel", "K", "[degF]"),
        "share": ("%",),
        "number": ("1",),
    }.items()
    for code in codes
}
"""What each unit measures, for a person, by the ending of its code."""


def _spellings() -> tuple[dict[str, str], dict[str, str]]:
    """What people write to code, and code to pint's name."""
    codes: dict[str, str] = {}
    names: dict[str, str] = {}
    for base, (name, spellings) in _BASES.items():
        names[base] = name
        codes.update(dict.fromkeys(spellings, base))
        for written, (prefix, prefix_name) in _PREFIXES.items():
            names[prefix + base] = prefix_name + name
            codes.update({written + spelling: prefix + base for spelling in spellings})
    for code, (name, spellings) in _WHOLE.items():
        names[code] = name
        codes.update(dict.fromkeys(spellings, code))
    return codes, names


_CODES, PINT_NAMES = _spellings()

_AMBIGUOUS: Final = {
    "mohm": ("mOhm", "milliohm", "MOhm", "megohm"),
    "mohms": ("mOhm", "milliohm", "MOhm", "megohm"),
    "MOHM": ("mOhm", "milliohm", "MOhm", "megohm"),
    "MA": ("mA", "milliampere", "A", "ampere"),
    "MV": ("mV", "millivolt", "V", "volt"),
    "MS": ("ms", "millisecond", "s", "second"),
    "MM": ("mm2", "square millimetre", "m", "metre"),
    "MM2": ("mm2", "square millimetre", "m", "metre"),
    "M": ("m", "metre", "MOhm", "megohm"),
    "k": ("kOhm", "kilohm", "km", "kilometre"),
    "mF": ("uF", "microfarad", "nF", "nanofarad"),
    "MF": ("uF", "microfarad", "nF", "nanofarad"),
}
"""Spellings that somebody would read a thousand or a million times wrong: refused, with what to write instead."""

_NUMBER: Final = re.compile(r"([+-]?)(\d+(?:[.,]\d+)?|[.,]\d+)(e[+-]?\d{1,2})?(?![\d.,])", re.ASCII | re.IGNORECASE)
DIGITS: Final = "0123456789"
THOUSANDS_DIGITS: Final = 3
_MARKED: Final = re.compile(r"\d+(?:[.,]\d+){2,}", re.ASCII)
_THOUSANDS: Final = re.compile(r"[1-9]\d{0,2},\d{3}\Z", re.ASCII)


def canonical(text: str) -> str:
    """The UCUM code, of the closed list of `logger.quantity`, for a unit as somebody typed it.

    Raises:
        UnitUnknown: if it is unknown, ambiguous, or not in the list.
    """
    code = _code(text)
    if code not in UNITS:
        hint = "; m is milli, M is mega" if code == "mOhm" else ""
        raise UnitUnknown(f"No meter shows {code}", f"use one of {', '.join(UNITS)}{hint}")
    return code


def parse_quantity(text: str, unit: str) -> Typed:
    """A number with its unit, as somebody typed it; a bare number is in `unit`, whose dimension it must have.

    `2,5 mm²` is two and a half; `1,500` is refused, since it can be read in two ways.

    Args:
        unit: code of the unit that is expected, a key of `PINT_NAMES`.

    Raises:
        UnitUnknown: if `text` is no quantity of that dimension.
    """
    shown = harmless(text, QUANTITY_CHARACTERS_AT_MOST)
    number, rest = _split(text)
    if not rest:
        return Typed(number, unit)
    code = _code(rest)
    if code == "mm" and unit == "mm2":
        raise UnitUnknown(f'"{shown}" is a length, and a section is an area', f"write {number} mm2")
    if code == "mOhm" and unit == "MOhm":
        raise UnitUnknown(
            f'"{shown}" is in milliohm, and insulation is measured in megohm',
            "write MOhm with a capital M, or kOhm or Ohm",
        )
    if not same_dimension(code, unit):
        raise UnitUnknown(f'"{shown}" is a {_measures(code)}, not a {_measures(unit)}', f"give it in {unit}")
    return Typed(number, code)


def parse_any(text: str) -> Typed:
    """A number with its unit, whatever it measures; the unit of a bare number is `1`.

    Raises:
        UnitUnknown: if `text` is no number, or its unit is unknown or ambiguous.
    """
    number, rest = _split(text)
    return Typed(number, _code(rest) if rest else "1")


def unit_text(text: str) -> str:
    """The unit of a quantity as it was typed; empty for a bare number.

    Raises:
        UnitUnknown: if `text` does not begin with a number.
    """
    return _split(text)[1]


def same_dimension(code: str, other: str) -> bool:
    """Whether two codes of `PINT_NAMES` measure the same kind of quantity."""
    if code == other:
        return True
    return bool(_unit(code).dimensionality == _unit(other).dimensionality)


def convert(number: Decimal, source: str, target: str) -> Decimal:
    """`number` of the unit `source` in the unit `target`, exact for every pair that differs by a power of ten.

    Raises:
        UnitUnknown: if the two measure different things.
    """
    if source == target:
        return number
    if not same_dimension(source, target):
        raise UnitUnknown(f"{source} and {target} do not measure the same kind of quantity")
    converted: Any = _registry().Quantity(number, _unit(source)).to(_unit(target)).magnitude
    return Decimal(converted)


@lru_cache(maxsize=1)
def _registry() -> UnitRegistry[Any]:
    """Built when it is first asked for: importing pint and building it take a third of a second."""
    import pint

    return pint.UnitRegistry(non_int_type=Decimal)


@lru_cache(maxsize=256)
def _unit(code: str) -> Any:
    return _registry().Unit(PINT_NAMES[code])


def _measures(code: str) -> str:
    """What a unit measures, in a word."""
    base = next((base for base in sorted(_MEASURES, key=len, reverse=True) if code.endswith(base)), "1")
    return _MEASURES[base]


def _split(text: str) -> tuple[Decimal, str]:
    """The number at the start of `text`, and what follows it."""
    shown = harmless(text, QUANTITY_CHARACTERS_AT_MOST)
    if len(text) > QUANTITY_CHARACTERS_AT_MOST:
        raise UnitUnknown(f'"{shown}" is too long for a quantity', "write a number and its unit, such as 28 m")
    plain = text.replace("\N{MINUS SIGN}", "-").strip()
    found = _NUMBER.match(plain)
    if found is None and (marked := _MARKED.match(plain)):
        raise UnitUnknown(
            f'"{shown}" has several commas or points, and which one is the decimal one cannot be told',
            f"write one point and nothing between the thousands, such as {_plainly(marked[0])}",
        )
    if found is None:
        raise UnitUnknown(f'"{shown}" does not begin with a number', "write a number and its unit, such as 28 m")
    sign, digits, exponent = found.groups()
    if _THOUSANDS.match(digits):
        whole, _, part = digits.partition(",")
        raise UnitUnknown(f'"{shown}" can be read in two ways', f"write {whole}.{part} or {whole}{part}")
    number, rest = Decimal(f"{sign}{digits.replace(',', '.')}{exponent or ''}"), plain[found.end() :].strip()
    if rest[:1] in DIGITS and rest:
        raise UnitUnknown(f'"{shown}" is two numbers', "write one, with nothing between the thousands, such as 1000 m")
    return number, rest


def _plainly(marked: str) -> str:
    """`1,234.5` as `1234.5`: the last mark is the decimal one where it differs from those before it. An example of
    how to write a number where the marks do not stand between thousands."""
    *whole, last = re.split(r"[.,]", marked)
    marks = re.findall(r"[.,]", marked)
    if any(len(part) != THOUSANDS_DIGITS for part in whole[1:]):
        return "1234.5"
    return "".join(whole) + ("" if marks[-1] in marks[:-1] else ".") + last


def _code(text: str) -> str:
    """The code for a unit as somebody typed it."""
    plain = "".join(unicodedata.normalize("NFKC", text).split())
    shown = harmless(text.strip(), QUANTITY_CHARACTERS_AT_MOST)
    if plain in _AMBIGUOUS:
        first, first_name, second, second_name = _AMBIGUOUS[plain]
        raise UnitUnknown(
            f'"{shown}" can be read as {first_name} or as {second_name}',
            f"write {first} or {second}: m is milli, M is mega",
        )
    code = _CODES.get(plain)
    if code is None:
        raise UnitUnknown(
            f'"{shown}" is no unit that is known here', "write it as in 28 m, 2.5 mm2, 0.35 Ohm or 1 MOhm"
        )
    return code
