"""Does a reading meet its limit? Inequalities first, then the meter's uncertainty, then the decision rule.

An over-range or under-range reading is an inequality and never a number. With the simple decision a measured value on
the good side meets; with the guarded one it must be clear of the limit by the expanded uncertainty. Runs for every
reading that is shown, so it makes no more than it must.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Context, Decimal
from enum import StrEnum
from typing import Final

from logger.job.model import Decision
from logger.quantity import UNITS, Displayed, Relation
from logger.reading import Range
from logger.rules.limit import Edge, Limit, Side
from logger.rules.uncertainty import COVERAGE, cumulative, uncertainty_of


class Verdict(StrEnum):
    """What came of a reading (interface, section 2)."""

    MEETS = "meets"
    FAILS = "fails"
    UNDECIDED = "undecided"
    """The meter cannot tell."""
    RECORDED = "recorded"
    """No limit applies, or none is known well enough to judge by."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict and how it came about.

    Attributes:
        limit, limit_unit, side: the edge that decided, as text; None where nothing was judged.
        margin: distance to that edge as a share of it, positive on the good side; None where nothing was measured.
        rule: `pack/limit`; None where no rule applied.
        source: edition and clause; empty where no rule applied.
        sentence: what a person reads.
        probability: that the true value lies on the good side; None for an inequality.
        standard_uncertainty: of the reading, in the limit's unit; None for an inequality.
    """

    verdict: Verdict
    sentence: str
    limit: str | None = None
    limit_unit: str | None = None
    side: str | None = None
    margin: str | None = None
    rule: str | None = None
    source: str = ""
    probability: str | None = None
    standard_uncertainty: str | None = None


NO_LIMIT: Final = Judgement(Verdict.RECORDED, "recorded: no limit applies")

# Significant digits of a margin in the record: more than any meter's reading has.
_MARGIN: Final = Context(6)

_WORSE: Final = {Verdict.MEETS: 0, Verdict.UNDECIDED: 1, Verdict.FAILS: 2}


def judge(
    value: Displayed,
    limit: Limit | None,
    meter_range: Range | None,
    decision: Decision,
    lead_ohm: Decimal | None = None,
) -> Judgement:
    """The judgement on one reading.

    Args:
        value: of the same dimension as the limit (screening has seen to that).
        meter_range: the range that it was read on; None where it is not known.
        lead_ohm: resistance of the leads that the meter did not take off, ohms: taken off here, once, and said.
    """
    if limit is None:
        return replace(NO_LIMIT, sentence=_less_leads(NO_LIMIT.sentence, value, lead_ohm)) if lead_ohm else NO_LIMIT
    if not limit.judged:
        why = limit.sentence if limit.edges == () else f"check your edition: {limit.sentence}"
        return _recorded(limit, _less_leads(why, value, lead_ohm))
    if value.dimension is not UNITS[limit.unit].dimension:
        return _recorded(limit, f"{value.unit} cannot be compared with {limit.unit}")
    if limit.no_trip:
        return _must_not_trip(value, limit)
    number = value.base
    note = ""
    if lead_ohm:
        number = max(number - lead_ohm, Decimal(0))
        note = f", less {lead_ohm} Ohm of leads"
    if limit.doubt is not None and _in_doubt(number, value.relation, limit.edges[0], limit.doubt):
        between = f"{limit.edges[0].text} or {limit.doubt.text} {limit.unit}"
        return _recorded(limit, _less_leads(f"the limit may be {between} here: {limit.sentence}", value, lead_ohm))
    edges = limit.edges if limit.doubt is None else (_deciding(number, limit.edges[0], limit.doubt),)
    if value.relation is not Relation.EQUAL:
        return _worst([_inequality(number, value.relation, edge, limit, note) for edge in edges])
    spread = uncertainty_of(value, meter_range, limit.operating_percent)
    return _worst([_measured(number, edge, limit, spread, decision, note) for edge in edges])


def _less_leads(words: str, value: Displayed, lead_ohm: Decimal | None) -> str:
    """The words on a figure that nothing judges, with what it is without the leads."""
    if not lead_ohm:
        return words
    if value.relation is not Relation.EQUAL:
        return f"{words}; less {lead_ohm} Ohm of leads"
    left = max(value.base - lead_ohm, Decimal(0))
    return f"{words}; {value.text} {value.unit} less {lead_ohm} Ohm of leads is {left:f} Ohm"


def _recorded(limit: Limit, why: str) -> Judgement:
    return Judgement(Verdict.RECORDED, f"recorded: {why}", rule=limit.rule, source=limit.source)


def _worst(judgements: list[Judgement]) -> Judgement:
    """Of a window's two edges the one that decides: the worse verdict, then the nearer edge."""
    if len(judgements) == 1:
        return judgements[0]
    return max(judgements, key=lambda j: (_WORSE[j.verdict], -abs(Decimal(j.margin or "Infinity"))))


def _in_doubt(number: Decimal, relation: Relation, edge: Edge, doubt: Edge) -> bool:
    """Whether the two readings of a disputed rule would judge this value differently."""
    low, high = sorted((edge.number, doubt.number))
    if relation is Relation.ABOVE:
        return low <= number < high
    if relation is Relation.BELOW:
        return low < number <= high
    return low <= number < high if edge.side is Side.MIN else low < number <= high


def _deciding(number: Decimal, edge: Edge, doubt: Edge) -> Edge:
    """Of the two readings of a disputed rule the one that both agree by: the stricter to meet, the looser to fail."""
    good = number >= edge.number if edge.side is Side.MIN else number <= edge.number
    return edge if good else doubt


def _must_not_trip(value: Displayed, limit: Limit) -> Judgement:
    edge = limit.edges[0]
    if value.relation is Relation.ABOVE and value.base >= edge.number:
        return _judgement(Verdict.MEETS, "meets: it did not operate", edge, limit)
    if value.relation is Relation.ABOVE:
        return _judgement(Verdict.UNDECIDED, "undecided: the test ended too soon to tell", edge, limit)
    return _judgement(Verdict.FAILS, "fails: it operated", edge, limit)


def _judgement(verdict: Verdict, sentence: str, edge: Edge, limit: Limit, margin: str | None = None) -> Judgement:
    return Judgement(verdict, sentence, edge.text, limit.unit, edge.side.value, margin, limit.rule, limit.source)


def _inequality(number: Decimal, relation: Relation, edge: Edge, limit: Limit, note: str) -> Judgement:
    """The reading says no more than that the quantity lies above, or below, `number`."""
    above = relation is Relation.ABOVE
    tells = number >= edge.number if above else number <= edge.number
    if not tells:
        return _judgement(Verdict.UNDECIDED, f"undecided: the meter cannot tell{note}", edge, limit)
    verdict = Verdict.MEETS if above is (edge.side is Side.MIN) else Verdict.FAILS
    margin = _margin(number, edge) if number.is_finite() else None
    by = _by(margin, edge, "more than ") if margin else ""
    return _judgement(verdict, f"{verdict.value}{by}{note}", edge, limit, _text(margin))


def _measured(number: Decimal, edge: Edge, limit: Limit, spread: float, decision: Decision, note: str) -> Judgement:
    margin = _margin(number, edge)
    distance = float(number) - edge.base
    if edge.side is Side.MAX:
        distance = -distance
    good = number >= edge.number if edge.side is Side.MIN else number <= edge.number
    inside = abs(distance) < COVERAGE * spread
    if inside and decision is Decision.GUARDED:
        verdict, sentence = Verdict.UNDECIDED, "undecided: the limit lies inside the meter's uncertainty"
    elif inside:
        verdict = Verdict.MEETS if good else Verdict.FAILS
        sentence = f"{verdict.value}, but inside the meter's uncertainty"
    else:
        verdict = Verdict.MEETS if good else Verdict.FAILS
        sentence = f"{verdict.value}{_by(margin, edge)}"
    probability = cumulative(distance / spread) if spread else float(good)
    return Judgement(
        verdict,
        sentence + note,
        edge.text,
        limit.unit,
        edge.side.value,
        _text(margin),
        limit.rule,
        limit.source,
        f"{probability:.4f}",
        _plain(spread / 10.0 ** UNITS[limit.unit].power),
    )


def _margin(number: Decimal, edge: Edge) -> Decimal:
    distance = number - edge.number if edge.side is Side.MIN else edge.number - number
    return _MARGIN.divide(distance, abs(edge.number)) if edge.number else _MARGIN.plus(distance)


def _text(margin: Decimal | None) -> str | None:
    return None if margin is None else format(margin, "f")


def _by(margin: Decimal, edge: Edge, bound: str = "") -> str:
    """A margin for a person: `, by 12 %`, or `, 412 times over` where the reading is at least twice the limit."""
    share = float(margin)
    over = share if edge.side is Side.MIN else -share
    if over >= 1.0:
        return f", {bound}{_rounded(over + 1.0)} times over"
    return f", by {bound}{_rounded(abs(share) * 100.0)} %" if margin else ", exactly at the limit"


def _rounded(number: float) -> str:
    """Two significant digits, and the whole number from 10 on."""
    return f"{number:.0f}" if number >= 10.0 else f"{number:.2g}"


def _plain(number: float) -> str:
    """Four significant digits without an exponent."""
    return format(Decimal(f"{number:.4g}"), "f")
