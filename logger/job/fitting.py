"""Do the results fit each other, and copper? Live as hints with a result, and for the audit as findings.

Works on result bodies alone, so that the hint of the day and the finding of the audit cannot differ. The physics is in
`rules.agreement`; here is which results speak of the same thing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from logger.bodies import Body
from logger.job.model import Board, Cable, Circuit, Earth, Plan
from logger.quantity import Displayed, Relation, Test
from logger.rules.agreement import (
    Finding,
    Interval,
    continuity_against_cable,
    interval_of,
    loop_against_parts,
    whole_against_circuits,
)
from logger.rules.at_the_leads import less_than_the_leads
from logger.rules.physics.conductors import REFERENCE_C


@dataclass(frozen=True, slots=True)
class Misfit:
    """Results that do not fit. `entries`: the results' numbers, the one that asked last (0: it has none yet)."""

    entries: tuple[int, ...]
    finding: Finding


@dataclass(frozen=True, slots=True)
class Known:
    """A result that stands: its entry and its body."""

    entry: int
    body: Body


def misfits(plan: Plan, result: Known, others: Iterable[Known]) -> list[Misfit]:
    """What does not fit between `result` and the plan's cable, or the other results that stand.

    A result that failed is left out: it must be taken again, and explains what it does not fit.
    """
    known = [other for other in others if other.entry != result.entry and other.body["verdict"] != "fails"]
    test = result.body["test"]
    if result.body.get("unit") is None:
        return []
    if test == Test.RING_CONTINUITY:
        return list(_against_leads(result))
    if test == Test.EARTH_CONTINUITY:
        return list(_against_leads(result)) or list(_against_cable(plan, result))
    if test == Test.INSULATION:
        return list(_whole(plan, result, known))
    if test == Test.EARTH_LOOP:
        return list(_loop(plan, result, known))
    return []


def value_of(body: Body) -> Displayed:
    """The figure that a result stands on."""
    return Displayed(str(body["value"]), str(body["unit"]), Relation(str(body["relation"])))


def _interval(body: Body) -> Interval:
    return interval_of(value_of(body), float(body.get("half_width_base") or 0))


def _against_leads(result: Known) -> Iterator[Misfit]:
    lead_ohm = result.body.get("lead_ohm")
    finding = less_than_the_leads(value_of(result.body), None if lead_ohm is None else Decimal(str(lead_ohm)))
    if finding is not None:
        yield Misfit((result.entry,), finding)


def _against_cable(plan: Plan, result: Known) -> Iterator[Misfit]:
    item = plan.item(str(result.body["item"]))
    value = value_of(result.body)
    if not isinstance(item, Circuit | Earth) or value.relation is not Relation.EQUAL:
        return
    measured_ohm = max(value.base - Decimal(result.body.get("lead_ohm") or 0), Decimal(0))
    finding = continuity_against_cable(
        measured_ohm,
        item.cable,
        Decimal(str(result.body.get("half_width_base") or 0)),
        with_line="L" in str(result.body.get("between")),
        temperature_c=_celsius(result.body),
    )
    if finding is not None and _is_said(item.cable):
        yield Misfit((result.entry,), finding)


def _is_said(cable: Cable) -> bool:
    return cable.length_m is not None


def _celsius(body: Body) -> Decimal:
    try:
        return Decimal(str(body.get("temperature") or REFERENCE_C))
    except InvalidOperation:
        return REFERENCE_C


def _alike(one: Body, other: Body) -> bool:
    names = ("test", "between", "voltage")
    return all(one.get(name) == other.get(name) for name in names)


def _whole(plan: Plan, result: Known, known: Sequence[Known]) -> Iterator[Misfit]:
    """A board's insulation against all its circuits', each measured alone at the same voltage and conductors."""
    alike = [each for each in (*known, result) if _alike(each.body, result.body)]
    for board in plan.boards:
        whole = [each for each in alike if each.body["item"] == board.id]
        parts = [each for circuit in _circuits_behind(plan, board) for each in alike if each.body["item"] == circuit]
        if len(whole) != 1 or len(parts) != len(_circuits_behind(plan, board)) or not parts:
            continue
        if result not in (*whole, *parts):
            continue
        shared = "N" in str(result.body.get("between"))
        circuits = [_interval(part.body) for part in parts]
        finding = whole_against_circuits(_interval(whole[0].body), circuits, shared_neutral=shared)
        if finding is not None:
            yield Misfit(tuple(each.entry for each in (*parts, *whole)), finding)


def _circuits_behind(plan: Plan, board: Board) -> list[str]:
    behind = {board.id}
    for _ in plan.boards:
        behind |= {each.id for each in plan.boards if each.feed in behind}
    return [circuit.id for circuit in plan.circuits if circuit.board in behind]


def _loop(plan: Plan, result: Known, known: Sequence[Known]) -> Iterator[Misfit]:
    """A circuit's loop against the supply's loop plus its own R1+R2, where both are known."""
    ze_ohm = plan.supply.ze_ohm if plan.supply else None
    r1_r2 = [
        each
        for each in known
        if each.body["item"] == result.body["item"]
        and each.body["test"] == Test.EARTH_CONTINUITY
        and "L" in str(each.body.get("between"))
    ]
    if ze_ohm is None or len(r1_r2) != 1:
        return
    parts = r1_r2[0]
    finding = loop_against_parts(_interval(result.body), Interval(ze_ohm, ze_ohm), _interval(parts.body))
    if finding is not None:
        yield Misfit((parts.entry, result.entry), finding)
