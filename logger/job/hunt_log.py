"""The hunt that a log is in the middle of: the failing reading of the whole that began it, and all readings since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from logger.errors import InputWrong
from logger.job.bounds import span_of
from logger.job.history import History, PastResult
from logger.job.hunt import Finding, Whole, hunt
from logger.quantity import UNITS, Dimension, Displayed, Function, Relation, Test, in_unit
from logger.reading import Range


@dataclass(frozen=True, slots=True)
class Hunted:
    """A hunt with where it came from: `began` is the entry of the failing result."""

    began: int
    finding: Finding


def hunt_in(
    past: History, between: str | None = None, at: str | None = None, limit_mohm: float | None = None
) -> Hunted:
    """The hunt as the log has it.

    Args:
        between, at: which whole-installation reading; the newest that failed where not given.
        limit_mohm: least insulation of a part; the failed result's own limit where not given.

    Raises:
        InputWrong: where no insulation of a whole board has failed, or the last reading of the whole stands.
    """
    whole = _failed_whole(past, between, at)
    conductors, board = _between(whole), str(whole.body["item"])
    readings = [
        Whole(each.reach, span_of(_shown(each), _range_of(past, each)), each.entry)
        for each in _insulation(past)
        if each.entry >= whole.entry and _between(each) == conductors
        if each.reach is not None and not each.reach.spoiled_by
    ]
    limit = limit_mohm if limit_mohm is not None else _limit_of(whole)
    return Hunted(whole.entry, hunt(past.network, past.setup, conductors, board, readings, limit))


def _failed_whole(past: History, between: str | None, at: str | None) -> PastResult:
    """The newest of those failures that reached the most (the others are steps of its hunt), if it is not over."""
    wholes = [each for each in _insulation(past) if _fits(past, each, between, at)]
    if not wholes:
        raise InputWrong("No insulation of a whole board was taken here", "select a board, read it and take the result")
    last = wholes[-1]
    alike = [each for each in wholes if each.body["item"] == last.body["item"] and _between(each) == _between(last)]
    taken = _insulation(past)
    failed = [each for each in alike if each.body["verdict"] == "fails" and not _is_over(taken, each)]
    if not failed:
        raise InputWrong(f"The last reading of the whole (entry {last.entry}) did not fail", "nothing is to be hunted")
    return max(failed, key=lambda each: (len(_reached(each)), each.entry))


def _is_over(taken: Sequence[PastResult], failed: PastResult) -> bool:
    """Whether later readings show that the failure is over: the newest at the board, with what was read at circuits by
    themselves, met its limit and reached all of it; or it was spoiled, and said nothing.

    Earlier ones at the board may be steps of the hunt: that each part of a sum is good does not make the sum so.
    """
    later = [each for each in taken if each.entry > failed.entry and _between(each) == _between(failed)]
    at_board = [each for each in later if each.body["item"] == failed.body["item"]][-1:]
    if failed.reach is None or failed.reach.spoiled_by:
        return any(each.body["verdict"] == "meets" for each in at_board)
    by_themselves = [each for each in later if each.body["item"] != failed.body["item"]]
    good = [each for each in (*at_board, *by_themselves) if each.body["verdict"] == "meets"]
    return _reached(failed) <= frozenset().union(*map(_reached, good))


def _reached(result: PastResult) -> frozenset[str]:
    return frozenset(result.reach.reached if result.reach is not None else ())


def _insulation(past: History) -> Sequence[PastResult]:
    return [
        each
        for each in past.standing_results()
        if each.body["test"] == Test.INSULATION and each.reach is not None and each.body.get("unit") in UNITS
    ]


def _fits(past: History, result: PastResult, between: str | None, at: str | None) -> bool:
    whole = str(result.body["item"]) in past.network.boards
    return whole and between in {None, _between(result)} and at in {None, result.body["item"]}


def _between(result: PastResult) -> str:
    return str(result.body["between"])


def _limit_of(result: PastResult) -> float:
    limit, unit = result.body.get("limit"), result.body.get("limit_unit") or result.body.get("unit")
    if limit is None or unit not in UNITS or UNITS[unit].dimension is not Dimension.RESISTANCE:
        raise InputWrong(f"Entry {result.entry} names no limit", "say one with --limit, in megohm")
    return float(in_unit(Decimal(str(limit)), str(unit), "MOhm"))


def _shown(result: PastResult) -> Displayed:
    body = result.body
    return Displayed(str(body["value"]), str(body["unit"]), Relation(body["relation"]))


def _range_of(past: History, result: PastResult) -> Range | None:
    """The meter's range that the figure lies in, the least certain where several hold it; None where none does."""
    meter = past.state.meters.get(str(result.body.get("serial")))
    shown, voltage = _shown(result), result.body.get("voltage")
    if meter is None or not shown.number.is_finite():
        return None
    fitting = [
        each
        for each in meter.ranges
        if each.function is Function.INSULATION
        and (not each.voltages or voltage in each.voltages)
        and each.low <= in_unit(shown.number, shown.unit, each.unit) <= each.high
    ]
    return max(fitting, key=lambda each: each.percent if each.percent is not None else Decimal(100), default=None)
