"""The tables of a rule pack, read and checked whole: every fault in one go. Where the file lies is `pack`'s concern."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Final

from logger.errors import RulesWrong
from logger.faults import Faults, nearest, quoted
from logger.job.model import JobKind
from logger.proof import Bands
from logger.quantity import UNITS, Test, is_decimal
from logger.rules.conditions import FIGURE, Condition, read_conditions
from logger.rules.facts import ITEM_KINDS
from logger.rules.formulas import FORMULAS
from logger.rules.limit import Confidence, Edge, Side, edge
from logger.rules.pack_rules import LimitRule, Need, Pack, TestRule, VoltageRule
from logger.toml_table import Bounds, Table

_PERCENT: Final = Bounds(Decimal(0), Decimal(100), "%")
_TABLES: Final = ("pack", "bands", "uncertainty", "cautions", "between", "test", "voltage", "limit")


class _Tables:
    """The tables of a pack by name, each with its lines."""

    def __init__(self, values: Mapping[str, object], lines: dict[str, list[dict[str, int]]], faults: Faults) -> None:
        self._values, self._lines, self._faults = values, lines, faults
        for name in values:
            if name not in _TABLES:
                faults.add(f"unknown table {quoted(name)}{nearest(name, _TABLES)}", lines.get(name, [{}])[0].get(""))

    def one(self, name: str) -> Table:
        """The table `[name]`, empty where there is none."""
        value = self._values.get(name, {})
        if not isinstance(value, Mapping):
            self._faults.add(f"{name} must be a table: write [{name}]")
            value = {}
        return Table(value, f"[{name}]", self._faults, self._lines.get(name, [{}])[0], numbers_as_text=True)

    def many(self, name: str, label: str) -> list[Table]:
        """The tables `[[name]]`, called by their `label` in faults."""
        values = self._values.get(name, [])
        if not isinstance(values, list) or not all(isinstance(value, Mapping) for value in values):
            self._faults.add(f"{name} must be a list of tables: write [[{name}]] over each")
            return []
        lines = self._lines.get(name, [])
        lines = lines if len(lines) == len(values) else [{} for _ in values]
        return [
            Table(value, f"{name} {quoted(value.get(label, ''))}", self._faults, where, numbers_as_text=True)
            for value, where in zip(values, lines, strict=True)
        ]


def read_pack(values: Mapping[str, object], lines: dict[str, list[dict[str, int]]], faults: Faults, path: str) -> Pack:
    """The pack of these tables, in the file at `path`.

    Raises:
        RulesWrong: with every fault.
    """
    tables = _Tables(values, lines, faults)
    head = tables.one("pack")
    edition = head.text("edition", required=True)
    source = head.text("source") or edition
    pack = Pack(
        id=head.text("id", required=True),
        title=head.text("title", required=True),
        edition=edition,
        jurisdiction=head.text("jurisdiction", required=True),
        kind=head.word("kind", JobKind, JobKind.INSTALLATION, required=True),
        notice=head.text("notice", required=True),
        bands=_bands(tables.one("bands")),
        cautions=_cautions(tables.one("cautions")),
        betweens=_betweens(tables.one("between")),
        operating=_operating(tables.one("uncertainty")),
        tests=tuple(_test(table) for table in tables.many("test", "test")),
        voltages=tuple(_voltages(table) for table in tables.many("voltage", "voltages")),
        limits=tuple(_limit(table, source) for table in tables.many("limit", "id")),
        body=values,
    )
    head.finish()
    _check_whole(pack, faults)
    if faults.found:
        raise RulesWrong(path, faults.sentences())
    return pack


def _check_whole(pack: Pack, faults: Faults) -> None:
    seen: set[str] = set()
    for limit in pack.limits:
        if limit.id in seen:
            faults.add(f"the limit {quoted(limit.id)} stands twice")
        seen.add(limit.id)
    if not pack.tests:
        faults.add("a pack needs at least one [[test]]")


def _bands(table: Table) -> Bands:
    standard = Bands()
    given = {name: table.number(name, FIGURE) for name in Bands.__dataclass_fields__}
    table.finish()
    return Bands(**{name: getattr(standard, name) if number is None else number for name, number in given.items()})


def _cautions(table: Table) -> dict[Test, str]:
    return {Test(key): table.text(key) for key in _test_keys(table)}


def _betweens(table: Table) -> dict[tuple[str, Test], tuple[str, ...]]:
    """By kind of item (empty for all) and test."""
    found = {("", Test(key)): table.texts(key) for key in _test_keys(table, besides=ITEM_KINDS)}
    for kind in ITEM_KINDS:
        inner = table.table(kind)
        if inner is not None:
            found.update({(kind, Test(key)): inner.texts(key) for key in _test_keys(inner)})
    return found


def _operating(table: Table) -> dict[Test, Decimal]:
    return {Test(key): table.number(key, _PERCENT) or Decimal(0) for key in _test_keys(table)}


def _test_keys(table: Table, besides: tuple[str, ...] = ()) -> list[str]:
    """The keys of a table whose keys are tests; tells of those that are none, nor one of `besides`."""
    known = [str(test) for test in Test]
    for key in table.keys:
        if key not in known and key not in besides:
            table.fault(f"no test is called {quoted(key)}{nearest(key, known)}", key)
    return [key for key in table.keys if key in known]


def _items(table: Table) -> tuple[str, ...]:
    items = table.texts("items", required=True)
    for item in items:
        if item not in ITEM_KINDS:
            table.fault(f"no item is called {quoted(item)}{nearest(item, ITEM_KINDS)}", "items")
    return items


def _when(table: Table) -> tuple[Condition, ...]:
    inner = table.table("when")
    return () if inner is None else read_conditions(inner, dict.fromkeys(inner.keys))


def _test(table: Table) -> TestRule:
    rule = TestRule(
        test=table.word("test", Test, Test.VISUAL, required=True),
        items=_items(table),
        need=table.word("need", Need, Need.POSSIBLE, required=True),
        when=_when(table),
        after=table.words("after", Test) or (),
        again=table.words("again", Test) or (),
    )
    table.finish()
    return rule


def _voltages(table: Table) -> VoltageRule:
    voltages = table.texts("voltages", required=True)
    for voltage in voltages:
        if not is_decimal(voltage):
            table.fault(f"{quoted(voltage)} is no voltage", "voltages")
    rule = VoltageRule(_items(table), voltages, _when(table))
    table.finish()
    return rule


def _limit(table: Table, source: str) -> LimitRule:
    formula = table.one_of("formula", FORMULAS)
    unit = table.one_of("unit", UNITS)
    rule = LimitRule(
        id=table.text("id", required=True),
        test=table.word("test", Test, Test.VISUAL, required=True),
        items=_items(table),
        when=_when(table),
        unit=unit or (FORMULAS[formula].unit if formula else "1"),
        least=_edge(table, "least", Side.MIN, unit),
        most=_edge(table, "most", Side.MAX, unit),
        doubt=_edge(table, "doubt", Side.MIN if table.has("least") else Side.MAX, unit),
        formula=formula,
        figures=_figures(table, formula),
        no_trip=table.flag("no_trip"),
        clause=table.text("clause"),
        source=table.text("source") or source,
        confidence=table.word("confidence", Confidence, Confidence.UNSURE, required=True),
        sentence=table.text("sentence", required=True),
    )
    if formula and unit:
        table.fault("a formula brings its own unit; leave unit out", "unit")
    if formula and (rule.least or rule.most):
        table.fault("a limit has a formula or figures of its own, not both", "formula")
    table.finish()
    return rule


def _edge(table: Table, key: str, side: Side, unit: str) -> Edge | None:
    number = table.number(key, FIGURE)
    if number is None:
        return None
    if not unit:
        table.fault(f"{key} needs a unit", key)
        return None
    return edge(side, number, unit, table.text(key))


def _figures(table: Table, formula: str) -> dict[str, Decimal]:
    inner = table.table("figures")
    if inner is None or not formula:
        if formula and FORMULAS[formula].figures:
            table.fault(f"the formula {formula} needs figures: {', '.join(FORMULAS[formula].figures)}", "formula")
        return {}
    known = FORMULAS[formula]
    figures: dict[str, Decimal] = {}
    for key in inner.keys if known.table else (*known.figures, *known.optional):
        if key in known.figures and not inner.has(key):
            inner.fault(f"{key} is missing")
        elif inner.has(key):
            figures[key] = _figure(inner, key)
    inner.finish()
    return figures


def _figure(table: Table, key: str) -> Decimal:
    """A figure, or a fraction such as `2/3` that has no end as a decimal."""
    text = table.text(key)
    over, bar, under = text.partition("/")
    if bar and is_decimal(over) and is_decimal(under) and Decimal(under) != 0:
        return Decimal(over) / Decimal(under)
    return table.number(key, FIGURE) or Decimal(0)
