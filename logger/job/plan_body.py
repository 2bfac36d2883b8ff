"""A plan as JSON values for the log: the TOML's own shape, decimals as text, what is left out or standard left out."""

from __future__ import annotations

import dataclasses
from decimal import Decimal
from enum import StrEnum
from typing import Final

from logger.job.model import Plan


def body_of(plan: Plan) -> dict[str, object]:
    """The whole plan; `logger.job.plan.plan_from_body` reads it back to an equal one."""
    body = {
        "job": {
            "title": plan.title,
            "kind": str(plan.kind),
            "rules": plan.rules,
            "decision": str(plan.decision),
            "operator": plan.operator,
        },
        "supply": _plain(plan.supply),
        "board": [_plain(board) for board in plan.boards],
        "circuit": [_plain(circuit) for circuit in plan.circuits],
        "earth": [_plain(earth) for earth in plan.earths],
        "appliance": [_plain(appliance) for appliance in plan.appliances],
    }
    return {key: value for key, value in body.items() if value}


_RENAMED: Final = {"appliance_class": "class"}
"""Attributes whose key in a plan is a word that Python keeps for itself."""


def _plain(value: object) -> object:
    """A value of the model as JSON: None, empty lists and empty text are left out of its tables."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        table = {
            _RENAMED.get(part.name, part.name): _plain(getattr(value, part.name)) for part in dataclasses.fields(value)
        }
        if "cord" in table and isinstance(table["cord"], dict):
            table["cord"] = {("mm2" if key == "earth_mm2" else key): kept for key, kept in table["cord"].items()}
        return {key: kept for key, kept in table.items() if kept is not None and kept not in ("", {})}
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    if isinstance(value, Decimal):
        return format(value, "f")
    return str(value) if isinstance(value, StrEnum) else value
