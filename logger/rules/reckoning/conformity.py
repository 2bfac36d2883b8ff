"""Pocket formulas of measurement: does a reading meet a limit, given the meter's accuracy?"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

from logger.errors import InputWrong
from logger.faults import quoted
from logger.rules import uncertainty
from logger.rules.reckoning.formula import FROM_ZERO, Answer, Figure, Formula, Given, Quantity, one, shown
from logger.toml_table import Bounds
from logger.units import Typed, convert, parse_any, parse_quantity

_GUIDE: Final = "JCGM 106 and ILAC G8: rectangular accuracy, normal distribution, guard band U"
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


def _is_at_most(given: Given) -> bool:
    side = given.texts["side"].strip().casefold()
    if side not in {"max", "min"}:
        raise InputWrong(
            f"side is {quoted(given.texts['side'])}", "write max for a greatest value or min for a least one"
        )
    return side == "max"


def _conformity(given: Given) -> Answer:
    at_most = _is_at_most(given)
    reading = parse_any(given.texts["reading"])
    limit = _same_unit(given.texts["limit"], reading)
    percent, digits = accuracy_of(given.texts["accuracy"])
    resolution = _resolution(given, reading)
    width = float(percent) / 100 * abs(float(reading.number)) + float(digits * resolution)
    spread = uncertainty.standard_uncertainty(width)
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
    return Answer(results, steps, _GUIDE)


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


def _window(given: Given) -> Answer:
    reading = parse_any(given.texts["reading"])
    low, high = (_same_unit(given.texts[name], reading) for name in ("low", "high"))
    percent, digits = accuracy_of(given.texts["accuracy"])
    width = float(percent) / 100 * abs(float(reading.number)) + float(digits * _resolution(given, reading))
    if not width or high <= low:
        raise InputWrong("A window needs an accuracy above nothing and high above low", "check low, high and accuracy")
    spread = uncertainty.standard_uncertainty(width)
    probability = uncertainty.conformity_between(float(reading.number), float(low), float(high), spread)
    step = f"u = {spread:.4g}; probability that the true value lies in the window: {probability * 100:.2f} %"
    return Answer(one(Decimal(repr(probability)), "1"), (step,), _GUIDE)


def _display(given: Given) -> Answer:
    limit, percent = float(given["limit"]), float(given["uncertainty"])
    at_most = _is_at_most(given)
    shown_at = uncertainty.display_limit(limit, percent, at_most=at_most)
    step = f"{limit:.4g} / {1 + percent / 100 if at_most else 1 - percent / 100:.4g} = {shown_at:.4g}"
    return Answer(one(Decimal(repr(shown_at)), "1"), (step,), "IEC 61557: operating uncertainty of the reading")


def _reference(given: Given) -> Answer:
    worst, rss = uncertainty.reference_bands(float(given["meter"]), float(given["reference"]))
    results = {"worst": Figure(Decimal(repr(worst)), "Ohm"), "rss": Figure(Decimal(repr(rss)), "Ohm")}
    return Answer(results, (f"worst case {worst:.4g} Ohm, root sum of squares with k = 2 {rss:.4g} Ohm",), _GUIDE)


def _repeated(given: Given) -> Answer:
    found = uncertainty.repeated([float(reading) for reading in given.many("readings")], float(given["halfwidth"]))
    results = {
        "mean": Figure(Decimal(repr(found.mean)), "1"),
        "standard_uncertainty": Figure(Decimal(repr(found.uncertainty)), "1"),
    }
    step = f"mean {found.mean:.5g}, u = {found.uncertainty:.4g} with {found.degrees:.4g} degrees of freedom"
    return Answer(results, (step,), _GUIDE)


_READING: Final = Quantity("reading", "what the meter shows")
_SIDE: Final = Quantity("side", "max or min")
_ACCURACY_GIVEN: Final = Quantity("accuracy", "of the meter, such as 2%+2")
_STEP: Final = Quantity("resolution", "one step of the last place; else the reading's own", optional=True)

_SHARE: Final = Bounds(Decimal(0), Decimal(99), "%")

FORMULAS: Final = (
    Formula(
        "conformity",
        "how surely a reading meets a limit",
        (_READING, Quantity("limit", "what it must meet"), _SIDE, _ACCURACY_GIVEN, _STEP),
        _conformity,
    ),
    Formula(
        "conformity-window",
        "how surely a reading lies in a window",
        (_READING, Quantity("low", "lower end"), Quantity("high", "upper end"), _ACCURACY_GIVEN, _STEP),
        _window,
    ),
    Formula(
        "display-limit",
        "what the display may show for the worst meter that the standard allows",
        (
            Quantity("limit", "what must be met", "1"),
            _SIDE,
            Quantity(
                "uncertainty", "operating uncertainty", "%", default="30", bounds=Bounds(Decimal(0), Decimal(99), "%")
            ),
        ),
        _display,
    ),
    Formula(
        "reference-check",
        "how far a check resistor may read from its value",
        (
            Quantity("meter", "half-width of the meter at that value", "Ohm", bounds=FROM_ZERO),
            Quantity("reference", "half-width of the resistor", "Ohm", bounds=FROM_ZERO),
        ),
        _reference,
    ),
    Formula(
        "repeated-readings",
        "mean of readings and its uncertainty",
        (
            Quantity("readings", "of one quantity", "1", many=2, bounds=FROM_ZERO),
            Quantity("halfwidth", "of the meter at their mean", "1", bounds=FROM_ZERO),
        ),
        _repeated,
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
