"""Pocket formulas of measurement: does a reading meet a limit, given the meter's accuracy?"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

from logger.errors import InputWrong
from logger.faults import quoted
from logger.rules import uncertainty
from logger.rules.reckoning.formula import FROM_ZERO, Answer, Figure, Formula, Given, Quantity, shown
from logger.units import Typed, convert, parse_any, parse_quantity

_NUMBER: Final = r"\d+(?:[.,]\d+)?"
_ACCURACY: Final = re.compile(
    rf"(?:(?P<percent>{_NUMBER})\s*%(?:\s*(?:rdg|of reading|v\.?\s?M\.?)?))?\s*\+?\s*"
    rf"(?:(?P<digits>{_NUMBER})\s*(?:digits?|dgts?|d|counts?)?)?\Z",
    re.ASCII | re.IGNORECASE,
)


def accuracy_of(text: str) -> tuple[Decimal, Decimal]:
    """Percent of reading and digits of a maker's accuracy: `2%+2`, `±(1,5 % + 3 digits)`, `5 %`.

    Raises:
        InputWrong: if it is none.
    """
    found = _ACCURACY.match(text.strip().lstrip("±+-").strip().strip("()").strip())
    if found is None or not (found["percent"] or found["digits"]):
        raise InputWrong(f"{quoted(text)} is no accuracy", "write percent of reading and digits, such as 2%+2")
    percent, digits = (Decimal((found[part] or "0").replace(",", ".")) for part in ("percent", "digits"))
    return percent, digits


def _same_unit(text: str, reading: Typed) -> Decimal:
    """A figure in the unit of the reading."""
    typed = parse_any(text)
    if typed.unit == "1":
        return typed.number
    if reading.unit == "1":
        raise InputWrong(f"The reading has no unit, and {quoted(text)} has one", "give the reading its unit too")
    checked = parse_quantity(text, reading.unit)
    return convert(checked.number, checked.unit, reading.unit)


def _last_place(reading: Decimal) -> Decimal:
    exponent = reading.as_tuple().exponent
    return Decimal(1).scaleb(exponent) if isinstance(exponent, int) else Decimal(0)


def _conformity(given: Given) -> Answer:
    side = given.texts["side"].strip().casefold()
    if side not in {"max", "min"}:
        raise InputWrong(
            f"side is {quoted(given.texts['side'])}", "write max for a greatest value or min for a least one"
        )
    reading = parse_any(given.texts["reading"])
    limit = _same_unit(given.texts["limit"], reading)
    percent, digits = accuracy_of(given.texts["accuracy"])
    resolution = _resolution(given, reading)
    width = float(percent) / 100 * abs(float(reading.number)) + float(digits * resolution)
    spread = uncertainty.standard_uncertainty(width)
    at_most = side == "max"
    probability = uncertainty.conformity(float(reading.number), float(limit), spread, at_most=at_most)
    expanded = uncertainty.COVERAGE * spread
    guarded = float(limit) - expanded if at_most else float(limit) + expanded
    results = {
        "probability": Figure(Decimal(repr(probability)), "1"),
        "standard_uncertainty": Figure(Decimal(repr(spread)), reading.unit),
        "guarded_limit": Figure(Decimal(repr(guarded)), reading.unit),
    }
    steps = (
        f"{shown(percent)} % of {shown(reading.number)} and {shown(digits)} x {shown(resolution)} = {width:.4g}",
        f"u = half-width/√3 = {spread:.4g}, U = 2u = {expanded:.4g}",
        f"probability that the true value is on the good side: {probability * 100:.2f} %",
        f"with the guarded decision the reading must be at {'most' if at_most else 'least'} {guarded:.4g}",
    )
    return Answer(results, steps, "JCGM 106 and ILAC G8: rectangular accuracy, normal distribution, guard band U")


def _resolution(given: Given, reading: Typed) -> Decimal:
    if "resolution" not in given.texts:
        return _last_place(reading.number)
    resolution = _same_unit(given.texts["resolution"], reading)
    if resolution <= 0:
        raise InputWrong("The resolution must be more than nothing", "give one step of the meter's last place")
    return resolution


def _operating(given: Given) -> Answer:
    influences = [float(value) for value in given.many("influences")]
    result = uncertainty.operating_uncertainty(float(given["intrinsic"]), influences)
    step = f"B = A + 1.15 x √(E1² + E2² + …) = {result:.4g} %"
    return Answer({"": Figure(Decimal(repr(result)), "%")}, (step,), "IEC 61557-1")


FORMULAS: Final = (
    Formula(
        "conformity",
        "how surely a reading meets a limit",
        (
            Quantity("reading", "what the meter shows"),
            Quantity("limit", "what it must meet"),
            Quantity("side", "max or min"),
            Quantity("accuracy", "of the meter, such as 2%+2"),
            Quantity("resolution", "one step of the last place; else the reading's own", optional=True),
        ),
        _conformity,
    ),
    Formula(
        "operating-uncertainty",
        "of an instrument, from its own and each influence's",
        (
            Quantity("intrinsic", "the instrument's own", "%", bounds=FROM_ZERO),
            Quantity("influences", "of position, battery, temperature …", "%", bounds=FROM_ZERO, many=2),
        ),
        _operating,
    ),
)
