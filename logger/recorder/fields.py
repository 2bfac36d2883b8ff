"""The fields of a step, read one by one: each comes back as it should be, or the step is refused with the way out."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final

from logger.errors import UnitUnknown
from logger.quantity import UNITS, Displayed, Relation, is_decimal
from logger.recorder.event import Refusal
from logger.recorder.limits import TEXT_AT_MOST

COLDEST_C: Final = Decimal(-50)
HOTTEST_C: Final = Decimal(100)
"""Between these a meter is used, degrees Celsius: wide enough for a drying kiln, narrow enough for a slipped finger."""


def text_of(step: Mapping[str, Any], name: str, *, required: bool = True) -> str:
    """The text under `name`; "" where it is not there and not needed."""
    value = step.get(name)
    if value is None and not required:
        return ""
    if not isinstance(value, str) or (required and not value.strip()):
        raise Refusal(f"the step needs `{name}` as text")
    if len(value) > TEXT_AT_MOST:
        raise Refusal(f"`{name}` is longer than {TEXT_AT_MOST} characters: shorten it")
    return value


def choice_of(step: Mapping[str, Any], name: str, possible: list[str], default: str | None = None) -> str:
    """The word under `name` (or the default), one of those that are possible."""
    value = step.get(name, default)
    if not isinstance(value, str) or value not in possible:
        said = "is missing" if value is None else f"cannot be {value!r}"
        raise Refusal(f"`{name}` {said}: choose one of {', '.join(possible)}", possible=possible)
    return value


def number_of(step: Mapping[str, Any], name: str, default: str | None) -> str:
    """The decimal digits under `name` (or the default), as text."""
    value = step.get(name, default)
    text = str(value) if isinstance(value, int | float | str) and not isinstance(value, bool) else ""
    text = text.removesuffix("V").strip() if name == "voltage" else text
    if is_decimal(text) and Decimal(text).is_finite():
        return text
    raise Refusal(f"`{name}` must be a number written with digits and a point")


def yes_or_no(step: Mapping[str, Any], name: str) -> bool:
    """The truth under `name`; false where it is not there. Not guessed from anything else: no seal is taken back."""
    value = step.get(name)
    if value is not None and not isinstance(value, bool):
        raise Refusal(f"`{name}` must be true or false")
    return bool(value)


def temperature_of(step: Mapping[str, Any]) -> str | None:
    """The ambient temperature that was keyed with a reading, degrees Celsius as text; None where it was not."""
    if step.get("temperature") is None:
        return None
    text = number_of(step, "temperature", None)
    if not COLDEST_C <= Decimal(text) <= HOTTEST_C:
        raise Refusal(f"`temperature` is the ambient one in degrees Celsius: {COLDEST_C} to {HOTTEST_C}")
    return text


def unit_of(text: str) -> str:
    """The UCUM code of a unit that a person typed."""
    if text in UNITS:
        return text
    from logger.units import canonical  # what people type; loads pint, so only when it is needed

    try:
        return canonical(text)
    except UnitUnknown as unknown:
        raise Refusal(str(unknown), possible=[code for code in UNITS if code != "1"]) from unknown


def keyed_value_of(step: Mapping[str, Any], relation: Relation) -> Displayed:
    """What a person read off a meter: digits, or `inf` for an infinity mark."""
    value = step.get("value")
    text = str(value).strip() if isinstance(value, int | float | str) and not isinstance(value, bool) else ""
    unit = unit_of(text_of(step, "unit"))
    if text.casefold() in {"inf", "infinity", "∞"}:
        return Displayed("inf", unit, Relation.ABOVE)
    if "," in text:
        raise Refusal("write `value` with a decimal point, not a comma")
    if not is_decimal(text):
        raise Refusal("`value` must be the digits that the meter shows, or `inf`")
    return Displayed(text, unit, relation)
