"""The 69 worked vectors: formulas, pocket tools and the uncertainty model against figures worked elsewhere."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from decimal import Decimal
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from logger.rules import uncertainty
from logger.rules.physics import conductors, insulation
from logger.rules.reckoning.catalogue import reckon
from logger.rules.reckoning.formula import exact

FIXTURE = Path(__file__).parents[2] / "fixtures" / "rules" / "vectors.json"
VECTORS: dict[str, dict[str, Any]] = json.loads(FIXTURE.read_text(encoding="utf-8"))["vectors"]

TOLERANCE = 1e-6
"""Relative, as fine as the figures are worked."""

HOW_MANY = 69


def close(got: object, expected: str) -> bool:
    return float(str(got)) == pytest.approx(float(expected), rel=TOLERANCE, abs=1e-12)


def test_every_vector_is_here() -> None:
    assert len(VECTORS) == HOW_MANY
    assert all(set(vector) & {"cases", "reckon", "measurement"} for vector in VECTORS.values())


def _function(name: str) -> Callable[..., object]:
    module, _, function = name.partition(".")
    home = "logger.rules" if module == "uncertainty" else "logger.rules.physics"
    found: Callable[..., object] = getattr(import_module(f"{home}.{module}"), function)
    return found


def _work(case: Mapping[str, Any]) -> object:
    given = case["given"]
    if case["of"] == "ring":
        ring = conductors.Ring(*map(Decimal, given[:3]))
        attribute, _, share = given[3].partition(" ")
        found = getattr(ring, attribute)
        return found(Decimal(share)) if share else found
    if case["of"] == "coaxial":
        thickness, _, radius = given[0].partition("/")
        ratio = Decimal(thickness) / Decimal(radius)
        return insulation.coaxial_f_per_m(ratio, Decimal(given[1])) * 10**12
    number: Callable[[str], object] = float if case["of"].startswith("uncertainty") else Decimal
    arguments = [[number(x) for x in value] if isinstance(value, list) else number(value) for value in given]
    return _function(case["of"])(*arguments, **case.get("named", {}))


@pytest.mark.parametrize("name", [name for name, vector in VECTORS.items() if "cases" in vector])
def test_formula(name: str) -> None:
    for case in VECTORS[name]["cases"]:
        got, gives = _work(case), case["gives"]
        if isinstance(gives, dict):
            assert all(close(getattr(got, attribute), figure) for attribute, figure in gives.items()), (case, got)
        elif isinstance(gives, list):
            assert isinstance(got, tuple)
            assert len(got) == len(gives)
            assert all(close(one, figure) for one, figure in zip(got, gives, strict=True)), (case, got)
        else:
            assert close(got, gives), (case, got)


@pytest.mark.parametrize("name", [name for name, vector in VECTORS.items() if "reckon" in vector])
def test_pocket_tool(name: str) -> None:
    for case in VECTORS[name]["reckon"]:
        answer = reckon(case["formula"], case["words"], case.get("rules"))
        for result, figure in case["gives"].items():
            text = exact(answer.results[result].number)
            assert close(text, figure), (case, text)
            assert sum(character.isdigit() for character in text.lstrip("0.")) >= 7
        assert answer.working
        assert answer.source


@pytest.mark.parametrize("name", [name for name, vector in VECTORS.items() if "measurement" in vector])
def test_measurement(name: str) -> None:
    given, gives = VECTORS[name]["measurement"], VECTORS[name]["gives"]
    reading, limit = float(given["reading"]), float(given["limit"])
    at_most = given["side"] == "max"
    width = float(given["percent"]) / 100 * reading + float(given["digits"]) * float(given["resolution"])
    spread = uncertainty.standard_uncertainty(width)
    assert close(width, gives["half_width"])
    assert close(spread, gives["standard_uncertainty"])
    assert close(uncertainty.conformity(reading, limit, spread, at_most=at_most), gives["probability"])
    rectangular = uncertainty.conformity_rectangular(reading, limit, width, at_most=at_most)
    assert close(rectangular, gives["probability_rectangular"])
    assert close(uncertainty.reading_for(0.95, limit, spread, at_most=at_most), gives["five_percent_limit"])
    words = [f"{key}={given[key]}" for key in ("reading", "limit", "side", "resolution")]
    answer = reckon("conformity", [*words, f"accuracy={given['percent']}%+{given['digits']}"])
    for result in ("probability", "standard_uncertainty", "guarded_limit"):
        assert close(answer.results[result].number, gives[result])
