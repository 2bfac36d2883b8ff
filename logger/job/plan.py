"""A plan in from TOML (with circuits and appliances from CSV beside it), and to and from the JSON that a logbook keeps.

A plan that is wrong is refused whole, with file, line where known, and every fault in one go. Nothing is written.
What a plan is: `logger.job.model`. What single tables say: `plan_items`. What must hold between them: `plan_checks`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Final, TypeVar

from logger import toml_lines
from logger.errors import FileFaulty, InputWrong, PlanWrong
from logger.faults import Fault, Faults, nearest, quoted
from logger.job import plan_csv
from logger.job.model import Decision, Item, JobKind, Plan
from logger.job.plan_body import body_of
from logger.job.plan_checks import check, check_anew
from logger.job.plan_items import read_appliance, read_board, read_circuit, read_earth, read_supply
from logger.job.plan_place import beside
from logger.rules.pack import is_path, load_pack, pack_names
from logger.text import harmless
from logger.toml_table import Table

Kind = TypeVar("Kind", bound=Item)

# A plan or CSV larger than this is no plan: ten thousand circuits take two megabytes.
FILE_BYTES_AT_MOST: Final = 8 * 1024**2

_TABLES: Final = ("job", "supply", "board", "circuit", "earth", "appliance")
_WRONG_AT: Final = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")


def load_plan(path: Path | str) -> Plan:
    """The plan in the TOML file at `path`, checked; its spreadsheets lie in its folder or below.

    `rules` of the plan is the name of a pack of ours, or the whole path of the user's own.

    Raises:
        PlanWrong: with every fault.
        InputWrong: if the file cannot be read.
    """
    path = Path(path)
    faults = Faults(harmless(path.name))
    text = _text_of(path)
    values = _parsed(text, faults)
    plan = None if values is None else _Reading(values, toml_lines.tables(text), faults, path.parent).plan()
    if plan is None or faults.found:
        raise PlanWrong(harmless(str(path)), faults.sentences())
    return plan


def plan_body(plan: Plan) -> dict[str, object]:
    """The plan as JSON values, decimals as text: the TOML's own shape, so that one reader reads both."""
    return body_of(plan)


def plan_from_body(body: Mapping[str, object]) -> Plan:
    """The plan that `plan_body` wrote.

    Raises:
        PlanWrong: if `body` is no plan.
    """
    faults = Faults("plan of the logbook")
    plan = _Reading(body, {}, faults, None).plan()
    if faults.found:
        raise PlanWrong(faults.file, faults.sentences())
    return plan


@dataclass
class _Reading:
    """One plan being read. `folder` is where its other files lie; None where there are none (a logbook's own JSON)."""

    values: Mapping[str, object]
    lines: dict[str, list[dict[str, int]]]
    faults: Faults
    folder: Path | None
    tables: dict[int, Table] = field(default_factory=dict)

    def plan(self) -> Plan:
        """The plan as far as it can be read; whether it stands is said by the faults."""
        job = self._single("job", required=True)
        plan = Plan(
            title=job.text("title", required=True),
            kind=job.word("kind", JobKind, JobKind.INSTALLATION, required=True),
            rules=job.text("rules", required=True),
            decision=job.word("decision", Decision, Decision.SIMPLE),
            operator=job.text("operator"),
            supply=read_supply(self._single("supply")) if "supply" in self.values else None,
            boards=self._items(self._listed("board"), read_board),
            circuits=self._items([*self._listed("circuit"), *self._csv(job, "circuit")], read_circuit),
            earths=self._items(self._listed("earth"), read_earth),
            appliances=self._items([*self._listed("appliance"), *self._csv(job, "appliance")], read_appliance),
        )
        self._unknown_tables()
        job.finish()
        check(plan, self._tell)
        if self.folder is None:
            return plan
        check_anew(plan, self._tell)
        return self._with_rules(plan, job, self.folder)

    def _with_rules(self, plan: Plan, job: Table, folder: Path) -> Plan:
        """The plan, its user's own pack named by a whole path; tells of a pack that cannot be used for this job."""
        if not plan.rules:
            return plan
        rules = plan.rules if plan.rules in pack_names() or not is_path(plan.rules) else str(folder / plan.rules)
        try:
            pack = load_pack(rules)
        except FileFaulty as wrong:
            self.faults.found.extend(Fault(harmless(Path(rules).name), 0, fault) for fault in wrong.faults)
        except InputWrong as wrong:
            job.fault(str(wrong), "rules")
        else:
            if pack.kind is not plan.kind:
                job.fault(f"the rule pack {quoted(plan.rules)} is for {pack.kind}, and kind is {plan.kind}", "rules")
        return replace(plan, rules=rules)

    def _single(self, name: str, *, required: bool = False) -> Table:
        value = self.values.get(name, {})
        lines = self.lines.get(name, [{}])[0]
        if not isinstance(value, Mapping):
            self.faults.add(f"{name} must be a table: write [{name}]", lines.get(""))
            value = {}
        elif required and name not in self.values:
            self.faults.add(f"the table [{name}] is missing")
        return Table(value, f"[{name}]", self.faults, lines, numbers_as_text=self.folder is None)

    def _listed(self, name: str) -> list[Table]:
        values = self.values.get(name, [])
        lines = self.lines.get(name, [])
        if not isinstance(values, list) or not all(isinstance(value, Mapping) for value in values):
            self.faults.add(
                f"{name} must be a list of tables: write [[{name}]] over each", lines[0][""] if lines else None
            )
            return []
        if len(lines) != len(values):
            lines = [{} for _ in values]
        labels = (f"{name} {quoted(value['id'])}" if value.get("id") else f"[[{name}]]" for value in values)
        return [
            Table(value, label, self.faults, where, numbers_as_text=self.folder is None)
            for value, label, where in zip(values, labels, lines, strict=True)
        ]

    def _csv(self, job: Table, what: str) -> list[Table]:
        """The rows of the CSV that `[job]` names for `what`."""
        key = f"{what}s_csv"
        name = job.text(key)
        if not name or self.folder is None:
            return []
        own = Faults(harmless(Path(name).name), self.faults.found)
        try:
            text = _text_of(beside(self.folder, name))
        except InputWrong as wrong:
            job.fault(f"{key}: {wrong}", key)
            return []
        return plan_csv.rows(text, what, own)

    def _items(self, tables: list[Table], read: Callable[[Table], Kind]) -> tuple[Kind, ...]:
        items = []
        for table in tables:
            item = read(table)
            self.tables[id(item)] = table
            items.append(item)
        return tuple(items)

    def _unknown_tables(self) -> None:
        for name in self.values:
            if name not in _TABLES:
                line = self.lines.get(name, [{}])[0].get("") or self.lines.get("", [{}])[0].get(name)
                self.faults.add(f"unknown table {quoted(name)}{nearest(name, _TABLES)}", line)

    def _tell(self, item: Item | None, key: str, sentence: str) -> None:
        if item is None:
            self.faults.add(sentence)
        else:
            self.tables[id(item)].fault(sentence, key)


def _text_of(path: Path) -> str:
    """The text of the file at `path`.

    Raises:
        InputWrong: if there is none, or it is too large or no UTF-8.
    """
    shown = harmless(str(path))
    try:
        with path.open("rb") as file:
            data = file.read(FILE_BYTES_AT_MOST + 1)
    except FileNotFoundError as missing:
        raise InputWrong(f"There is no file {shown}", "check the name and the folder") from missing
    except (OSError, ValueError) as refused:
        reason = getattr(refused, "strerror", None) or str(refused)
        raise InputWrong(
            f"The file {shown} cannot be read ({reason})", "check what it is and who may read it"
        ) from refused
    if len(data) > FILE_BYTES_AT_MOST:
        raise InputWrong(
            f"The file {shown} is larger than {FILE_BYTES_AT_MOST // 1024**2} MiB", "a plan is a short text"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        line = data.count(b"\n", 0, wrong.start) + 1
        raise InputWrong(f"The file {shown} is not UTF-8 text (line {line})", "save it as UTF-8") from wrong


def _parsed(text: str, faults: Faults) -> Mapping[str, object] | None:
    """The TOML of `text`, its figures exact; None, with the fault told, where it is no TOML."""
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except RecursionError:
        faults.add("tables or lists stand too deep in each other")
    except ValueError as wrong:
        where = _WRONG_AT.search(str(wrong))
        line = int(where.group(1)) if where and where.group(1) else None
        faults.add(f"not TOML from here on: {harmless(_WRONG_AT.sub('', str(wrong)))}", line)
    return None
