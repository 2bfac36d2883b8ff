"""`NAME=VALUE` as somebody typed it, read into the quantities of a formula: every fault in one go."""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from typing import Final

from logger.errors import InputWrong, UnitUnknown
from logger.faults import nearest, quoted
from logger.rules.reckoning.formula import Formula, Given, Quantity
from logger.text import harmless
from logger.units import DIGITS, convert, parse_quantity, unit_text

# Most values of one list: no board has more circuits.
VALUES_AT_MOST = 1000


def read_values(formula: Formula, words: Sequence[str], rules: str | None = None) -> Given:
    """The quantities in `words`, each `NAME=VALUE`; a word without `=` belongs to the value before it (`length=28 m`).

    Raises:
        InputWrong: naming everything that is missing, unknown or no such quantity.
    """
    faults: list[str] = []
    typed = _typed(formula, words, faults)
    numbers: dict[str, tuple[Decimal, ...]] = {}
    texts: dict[str, str] = {}
    units: dict[str, str] = {}
    bounds: set[str] = set()
    missing = []
    for quantity in formula.quantities:
        text = typed.get(quantity.name, quantity.default)
        if text is None:
            if quantity.required:
                missing.append(f"{quantity.name} ({quantity.what})")
        elif not quantity.unit:
            texts[quantity.name] = text
        else:
            try:
                numbers[quantity.name], units[quantity.name], bound = _numbers(quantity, text)
            except UnitUnknown as wrong:
                faults.append(f"{quantity.name}: {wrong}")
            else:
                if bound:
                    bounds.add(quantity.name)
    if missing:
        faults.append(f"{formula.name} also needs {', '.join(missing)}")
    if faults:
        raise InputWrong("; ".join(fault.rstrip(".") for fault in faults))
    return Given(numbers, texts, units, frozenset(bounds), rules)


def _typed(formula: Formula, words: Sequence[str], faults: list[str]) -> dict[str, str]:
    known = [quantity.name for quantity in formula.quantities]
    typed: dict[str, str] = {}
    name = ""
    for word in words:
        before, equals, after = word.partition("=")
        if not equals and not name:
            faults.append(f"{quoted(word)} is not of the form NAME=VALUE")
        elif not equals:
            typed[name] = f"{typed[name]} {word}"
        elif before not in known:
            faults.append(f"{formula.name} has no {quoted(before)}{nearest(before, known)}")
            name = ""
        elif before in typed:
            faults.append(f"{before} is given twice")
        else:
            name = before
            typed[name] = after
    return {name: text for name, text in typed.items() if text.strip()}


def _numbers(quantity: Quantity, text: str) -> tuple[tuple[Decimal, ...], str, bool]:
    """The values, in the formula's unit, the unit of the last as it was typed, and whether one was over range."""
    parts = _parts(text) if quantity.many > 1 else [text]
    if len(parts) > VALUES_AT_MOST:
        raise UnitUnknown(f"{len(parts)} values are more than anybody measures", f"give at most {VALUES_AT_MOST}")
    over = [part.strip().startswith((">", "≥")) for part in parts]
    if any(over) and not quantity.may_be_bound:
        raise UnitUnknown("an over-range reading is no number", "give a reading that the meter could measure")
    given = _with_units([part.strip(" >≥=") for part in parts])
    if quantity.ask and not unit_text(given[-1]):
        written = [f"{given[-1].strip()} {unit}" for unit in quantity.ask]
        raise UnitUnknown(f'"{harmless(text, 60)}" has no unit', f"write {' or '.join(written)}")
    typed = [parse_quantity(part, quantity.unit) for part in given]
    numbers = tuple(convert(value.number, value.unit, quantity.unit) for value in typed)
    _check(quantity, numbers, text)
    return numbers, typed[-1].unit, any(over)


_SPACED: Final = re.compile(r"\s+(?=[<>≥+-]?\s?[\d.,])")
"""Between two values with nothing but space between them: what follows begins with a number."""


def _parts(text: str) -> list[str]:
    """The values of a list: split at semicolons where there are any, else at spaces before numbers, else at commas.

    A comma within a value is a decimal one, but where commas part the values.

    Raises:
        UnitUnknown: commas that may part values or be decimal ones.
    """
    if ";" in text:
        return [part for part in text.split(";") if part.strip()] or [text]
    spaced = _SPACED.split(text.strip())
    if len(spaced) > 1 and not any(part.rstrip().endswith(",") for part in spaced[:-1]):
        return spaced
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if "." not in text and any(map(_is_torn, parts, parts[1:])):
        raise UnitUnknown(
            f'"{harmless(text, 60)}" can be read in two ways: a comma may be a decimal one',
            "put ; or a space between the values, or write a decimal point",
        )
    return parts or [text]


def _is_torn(part: str, after: str) -> bool:
    """Whether two parts look like one number with a decimal comma: `0,8`, or `2,05`."""
    return bool(
        after[0] in DIGITS and ((part == "0") or (part.isdecimal() and after[0] == "0" and after[1:2].isdecimal()))
    )


def _with_units(parts: Sequence[str]) -> list[str]:
    """Bare numbers take the unit of the next value that has one: `200, 50, 5 MΩ`."""
    unit = ""
    found: list[str] = []
    for part in reversed(parts):
        unit = unit_text(part) or unit
        found.append(part if unit_text(part) else f"{part} {unit}")
    return found[::-1]


def _check(quantity: Quantity, numbers: Sequence[Decimal], text: str) -> None:
    """Tell of a list of the wrong length and of values that cannot be."""
    said = f'"{harmless(text, 60)}"'
    if quantity.exactly and len(numbers) != quantity.many:
        raise UnitUnknown(f"{said} holds {len(numbers)} values", f"give {quantity.many}, commas or semicolons between")
    if len(numbers) < quantity.many:
        raise UnitUnknown(f"{said} is one value", f"give {quantity.many} or more, commas or semicolons between")
    if not all(quantity.bounds.hold(number) for number in numbers):
        raise UnitUnknown(f"{said} is out of bounds", f"it must be {quantity.bounds}")
