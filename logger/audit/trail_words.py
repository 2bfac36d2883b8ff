"""One plain sentence for each kind of entry that a trail leads over. Texts of strangers pass through as they are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from logger.quantity import UNITS

Body = Mapping[str, Any]

_SIGN: Final = {"gt": ">", "lt": "<"}


def figure_words(value: object, unit: object, relation: object = None) -> str:
    """`>1000 MΩ`; what has no unit stays as it is."""
    known = UNITS.get(str(unit))
    text = "∞" if value == "inf" else f"{_SIGN.get(str(relation), '')}{value}"
    return f"{text} {known.sign if known else unit or ''}".strip()


def reading_words(data: Body) -> str:
    """`412 MΩ, insulation 500 V, number 57 of meter 0417: counts`."""
    fate = "counts" if data["accepted"] else "turned away: " + ", ".join(map(_plain, data["reasons"]))
    if data.get("check"):
        fate = f"for the {data['check']} check"
    count = "keyed" if data.get("origin") == "keyed" else f"number {data['n']}"
    shown = figure_words(data["value"], data["unit"], data["relation"])
    return f"{shown}, {_on(data['function'], data['voltage'])}, {count} of meter {data['serial']}: {fate}"


def result_words(data: Body) -> str:
    """`C3 insulation 500 V: 412 MΩ, meets`."""
    shown = figure_words(data["value"], data.get("unit"), data.get("relation"))
    return f"{data['item']} {_on(data['test'], data.get('voltage'))}: {shown}, {data['verdict']}"


def check_words(data: Body) -> str:
    """`Zero, insulation 500 V, passed: 0.00, 0.00, 0.00 MΩ`."""
    figures = ", ".join(
        figure_words(value, "", relation) for value, relation in zip(data["figures"], data["relations"], strict=True)
    )
    known = UNITS.get(str(data["unit"]))
    outcome = "passed" if data["outcome"] == "pass" else "FAILED"
    on = _on(data["function"], data["voltage"])
    return (
        f"{str(data['point']).capitalize()}, {on}, {outcome}: {figures} {known.sign if known else data['unit']}".strip()
    )


def meter_words(data: Body) -> str:
    """`Example Works TM-2 no. 0417, calibrated until 2027-03-14`."""
    until = data.get("calibrated_until") or "not said"
    name = f"{data.get('maker', '')} {data.get('model', '')}".strip()
    return f"{name} no. {data['serial']}, calibrated until {until}, on {data.get('line', '')}".strip()


def rule_words(result: Body, rules: Body) -> str:
    """`At least 1.0 MΩ: IEC 60364-6, table 6.1 (edition 2016)`; which rule, from which pack."""
    edition = rules.get("edition") or rules["pack"]["pack"]["edition"]
    if result.get("limit") is None:
        return f"No limit applies; the rules in force are of {edition}"
    side = {"min": "at least ", "max": "at most "}.get(str(result.get("side")), "")
    limit = figure_words(result["limit"], result.get("limit_unit") or result.get("unit"))
    whence = result.get("source") or result.get("rule")
    return f"{result.get('rule')}: {side}{limit}; {whence}; rules of {edition}; decision {result.get('decision')}"


def _on(what: object, voltage: object) -> str:
    return f"{_plain(str(what))} {voltage} V" if voltage else _plain(str(what))


def _plain(word: str) -> str:
    return word.replace("-", " ")
