"""Values that stand in entries as JSON, and back again: what was written must read as what was meant.

Decimals are text, as everywhere in the record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from logger.quantity import Function, Test
from logger.reading import Range
from logger.screening import Wanted

Body = Mapping[str, Any]
"""The JSON object of one entry."""


@dataclass(frozen=True, slots=True)
class Selection:
    """What is being tested: the readings that come now belong to it."""

    entry: int
    item: str
    test: Test
    voltage: str | None
    between: str
    setting: Mapping[str, str]
    meter: str | None
    wanted: Wanted


def selection_from_body(number: int, body: Body) -> Selection:
    """The selection that a `selection` entry holds."""
    setting = {str(name): str(value) for name, value in (body.get("setting") or {}).items()}
    wanted = Wanted(
        test=Test(body["test"]),
        voltage=_decimal(body["voltage"]),
        multiple=_decimal(setting.get("multiple")),
        phase=_decimal(setting.get("phase")),
        rated=_decimal(setting.get("rated")),
    )
    voltage, meter = body["voltage"], body.get("meter")
    return Selection(number, body["item"], wanted.test, voltage, body["between"], setting, meter, wanted)


def _decimal(text: str | None) -> Decimal | None:
    return Decimal(text) if text is not None else None


def range_body(each: Range) -> dict[str, object]:
    """A meter's range as JSON."""
    return {
        "function": each.function,
        "range": each.mark,
        "unit": each.unit,
        "min": str(each.low),
        "max": str(each.high),
        "resolution": _text(each.resolution),
        "percent": _text(each.percent),
        "digits": _text(each.digits),
        "voltages": list(each.voltages),
    }


def range_from_body(body: Body) -> Range:
    """The range that `range_body` wrote."""
    return Range(
        function=Function(body["function"]),
        mark=str(body["range"]),
        unit=str(body["unit"]),
        low=Decimal(body["min"]),
        high=Decimal(body["max"]),
        resolution=_decimal(body["resolution"]),
        percent=_decimal(body["percent"]),
        digits=_decimal(body["digits"]),
        voltages=tuple(body["voltages"]),
    )


def _text(number: Decimal | None) -> str | None:
    return None if number is None else format(number, "f")
