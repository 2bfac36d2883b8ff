"""A logbook of remarks beside one that takes no entry any more.

`NAME.remarks` is a logbook like any other. Its first entry names what is remarked on (`audited`: id, size, root of the
tree over all entries), so that it can be proven which state of it was looked at; its plan asks for no test.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from logger.audit.remark import Remark, remarks_in
from logger.errors import InputWrong, LogbookDamaged, LogbookUnusable
from logger.logbook.entries import Kind
from logger.logbook.files import beside
from logger.logbook.reader import LogbookReader
from logger.logbook.tiles import StoredTree

ENDING: Final = ".remarks"
"""What the name of a logbook of remarks has more than that of the logbook."""

_TABLES_KEPT: Final = ("job", "supply")
_ITEMS: Final = ("board", "appliance")


@dataclass(frozen=True, slots=True)
class Beside:
    """What lies beside a logbook.

    Attributes:
        path: the logbook of remarks; None where there is none.
        trouble: why it counts for nothing: a sentence; empty where it counts.
    """

    path: Path | None
    trouble: str = ""
    remarks: tuple[Remark, ...] = ()


def name_beside(path: Path) -> Path:
    """Where the remarks on a logbook are."""
    return beside(path, ENDING)


def look_beside(reader: LogbookReader, about: int | None = None) -> Beside:
    """The remarks beside a logbook, if they are on this one; `about`: only those on that entry."""
    path = name_beside(reader.path)
    if not path.exists():
        return Beside(None)
    try:
        with LogbookReader.open(path) as its:
            trouble = why_not_its(its, reader)
            return Beside(path, trouble, () if trouble else tuple(remarks_in(its, about, path.name)))
    except (LogbookUnusable, LogbookDamaged, InputWrong) as error:
        return Beside(path, f"The remarks beside it cannot be read. {error}")


def why_not_its(its: LogbookReader, reader: LogbookReader) -> str:
    """Why a logbook holds no remarks on `reader`, a sentence; empty where it does.

    Raises:
        LogbookDamaged: if the one or the other cannot be read.
    """
    found = its.entry(1).data.get("audited")
    audited: Mapping[str, Any] = found if isinstance(found, Mapping) else {}
    if audited.get("id") != reader.id:
        return f"{its.path} holds remarks on another logbook than this."
    size = audited.get("size")
    if type(size) is not int or not 0 < size <= reader.size or _root(reader, size) != audited.get("root"):
        return f"{its.path} holds remarks on this logbook, but on other entries than it has now: audit both."
    return ""


def first_entries(reader: LogbookReader) -> Iterator[tuple[Kind, dict[str, object]]]:
    """The first entries of a new logbook of remarks.

    Raises:
        LogbookDamaged: if what is remarked on cannot be read so far.
    """
    job = reader.entry(1).data
    plan = job.get("plan")
    rules = reader.last(Kind.RULES)
    if not isinstance(plan, Mapping) or rules is None:
        raise LogbookDamaged(f"{reader.path} has no plan or no rules", "run `zerofirst audit` on it", entry=1)
    title = f"Remarks on {job.get('title') or reader.path.name}"
    size = reader.size
    audited = {"id": reader.id, "size": size, "root": _root(reader, size)}
    yield Kind.JOB, {"title": title, "kind": job.get("kind"), "plan": _without_work(plan, title), "audited": audited}
    yield Kind.RULES, rules.data


def _without_work(plan: Mapping[str, Any], title: str) -> dict[str, object]:
    """The plan with one item and nothing to test, so that whatever opens a logbook opens this one."""
    kept: dict[str, object] = {name: plan[name] for name in _TABLES_KEPT if name in plan}
    kept["job"] = {**plan.get("job", {}), "title": title}
    for name in _ITEMS:
        if plan.get(name):
            kept[name] = [{**plan[name][0], "required": []}]
            break
    return kept


def _root(reader: LogbookReader, size: int) -> str:
    return base64.b64encode(StoredTree(reader.connection).mth(0, size)).decode()
