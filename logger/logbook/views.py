"""What any SQLite tool shows of a logbook: readings, what was turned away and why, results, checks, what is tested.

Views over `entries`, so they cannot disagree with it. Values are text, as the meter showed them. Times are UTC.
"""

from __future__ import annotations

from typing import Final


def _fields(names: str) -> str:
    return ", ".join(f"json_extract(body, '$.{name}') AS \"{name}\"" for name in names.split())


_REASONS: Final = "(SELECT group_concat(value, ', ') FROM json_each(entries.body, '$.reasons')) AS reasons"

_READING: Final = ", ".join(
    [
        _fields("serial n item test between function relation value unit voltage accepted"),
        _REASONS,
        _fields("origin"),
    ]
)


def _view(name: str, columns: str, where: str) -> str:
    return f"CREATE VIEW {name} AS SELECT number, at, {columns} FROM entries WHERE {where}"


def _items(name: str, table: str, fields: str, more: str = "", inside: str = "") -> str:
    """The items of the plan, as the job began with it; `more` names fields of the table `inside` each."""
    columns = [f"json_extract(item.value, '$.{field}') AS \"{field}\"" for field in fields.split()]
    columns += [f"json_extract(item.value, '$.{inside}.{field}') AS \"{field}\"" for field in more.split()]
    source = f"entries, json_each(entries.body, '$.plan.{table}') AS item"
    return f"CREATE VIEW {name} AS SELECT {', '.join(columns)} FROM {source} WHERE kind = 'job'"


VIEWS: Final[dict[str, str]] = {
    "readings": _view("readings", _READING, "kind = 'reading'"),
    "turned_away": _view("turned_away", _READING, "kind = 'reading' AND NOT json_extract(body, '$.accepted')"),
    "results": _view(
        "results",
        _fields("item test between voltage reading serial relation value unit verdict limit margin rule sentence"),
        "kind = 'result'",
    ),
    "self_checks": _view(
        "self_checks", _fields("serial point function voltage outcome lead_ohm why"), "kind = 'self-check'"
    ),
    "instruments": _view(
        "instruments",
        _fields("serial maker model firmware calibrated_until boot battery_percent leads line driver"),
        "kind = 'instrument'",
    ),
    "circuits": _items("circuits", "circuit", "id board name", "type rating_a", "protection"),
    "appliances": _items("appliances", "appliance", "id name class environment"),
    "alterations": _view("alterations", f"kind, {_fields('what to why')}", "kind IN ('alteration', 'restoration')"),
}
"""Name → the statement that makes it."""
