"""A rule pack: what an item must be tested for, in what order, at what voltage, and what it must meet.

Packs are data (`packs/*.toml`, or a user's own file) read by `pack_reading`; this file asks them questions. A pack in
force is the one whose whole `body` stands in the log: later files never change what an open logbook judges by.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Final

from logger.job.model import Item, JobKind, Plan
from logger.proof import Bands
from logger.quantity import Test
from logger.rules.conditions import Condition
from logger.rules.facts import NAMES, Facts, facts_of, kind_of
from logger.rules.formulas import FORMULAS
from logger.rules.limit import JUDGED_BY, Confidence, Edge, Limit, Side, edge


class Need(StrEnum):
    """Whether a test is asked for."""

    REQUIRED = "required"
    """The job cannot be closed without it, or a reason for leaving it out."""
    ADVISED = "advised"
    """Offered in the work list; a job may be closed without it."""
    POSSIBLE = "possible"
    """Can be selected."""


@dataclass(frozen=True)
class TestRule:
    """A test of certain items. `after`: tests that must stand before it; `again`: those to repeat when it fails."""

    __test__ = False

    test: Test
    items: tuple[str, ...]
    need: Need
    when: tuple[Condition, ...] = ()
    after: tuple[Test, ...] = ()
    again: tuple[Test, ...] = ()

    def applies(self, facts: Facts) -> bool:
        """Whether it asks for its test on an item of these facts."""
        return facts.item in self.items and all(condition.holds(facts) for condition in self.when)


@dataclass(frozen=True)
class VoltageRule:
    """Test voltages of insulation for certain items: the first is the standard one, the others may be chosen."""

    items: tuple[str, ...]
    voltages: tuple[str, ...]
    when: tuple[Condition, ...] = ()


@dataclass(frozen=True)
class LimitRule:
    """A limit as the pack gives it: fixed edges, or a formula with its figures, or neither (recorded).

    Attributes:
        least, most, doubt: edges as written, with their number; None where there is none.
        sentence: `{limit}` in it stands for the figure.
    """

    id: str
    test: Test
    items: tuple[str, ...]
    when: tuple[Condition, ...]
    unit: str
    least: Edge | None
    most: Edge | None
    doubt: Edge | None
    formula: str
    figures: Mapping[str, Decimal]
    no_trip: bool
    clause: str
    source: str
    confidence: Confidence
    sentence: str

    @property
    def judged(self) -> bool:
        """Whether a verdict can come of it."""
        has_figure = bool(self.formula or self.least or self.most)
        return has_figure and self.confidence in JUDGED_BY

    @property
    def figure(self) -> str:
        """The figure as written, for a list of limits; `…` where it is computed from the plan."""
        return " to ".join(edge.text for edge in (self.least, self.most) if edge is not None) or "…"


STANDARD_OPERATING_PERCENT: Final = Decimal(30)
"""Operating uncertainty that IEC 61557 allows most instruments, percent of the reading."""


@dataclass(frozen=True)
class Pack:
    """A rule pack.

    Attributes:
        id: short name, first half of every `rule` in the record.
        edition: the standards and editions it was written for.
        notice: what to tell whoever reads it: check your own edition and local rules.
        bands: what a self-check must read.
        cautions: what to say before a test, our own words.
        operating: operating uncertainty that the instrument standard allows, percent by test.
        body: the whole pack as JSON values, for the log.
    """

    id: str
    title: str
    edition: str
    jurisdiction: str
    kind: JobKind
    notice: str
    bands: Bands
    cautions: Mapping[Test, str]
    betweens: Mapping[tuple[str, Test], tuple[str, ...]]
    operating: Mapping[Test, Decimal]
    tests: tuple[TestRule, ...]
    voltages: tuple[VoltageRule, ...]
    limits: tuple[LimitRule, ...]
    body: Mapping[str, object]

    def tests_for(self, item: Item, plan: Plan) -> tuple[Test, ...]:
        """What must be done on `item`, in order of work: what the plan demands, else what the pack does."""
        if item.required is not None:
            return self._in_order(item.required)
        return self._asked(item, plan, Need.REQUIRED)

    def advised_for(self, item: Item, plan: Plan) -> tuple[Test, ...]:
        """What is worth doing on `item` besides, in order of work."""
        required = self.tests_for(item, plan)
        return tuple(test for test in self._asked(item, plan, Need.ADVISED) if test not in required)

    def possible_tests(self, item: Item, plan: Plan) -> tuple[Test, ...]:
        """Every test that can be selected on `item`, in order of work."""
        kind = facts_of(item, plan).item
        known = {rule.test for rule in self.tests if kind in rule.items}
        return self._in_order([*known, *(item.required or ())])

    def voltages_for(self, test: Test, item: Item, plan: Plan) -> tuple[str, ...]:
        """Test voltages in volts that `test` may use, the standard one first; empty where the test has none."""
        if test is not Test.INSULATION:
            return ()
        facts = facts_of(item, plan)
        for rule in self.voltages:
            if facts.item in rule.items and all(condition.holds(facts) for condition in rule.when):
                return rule.voltages
        return ()

    def between_for(self, test: Test, item: Item) -> str:
        """The conductors that `test` is usually taken between; empty where it is taken between none."""
        return next(iter(self.betweens_for(test, item)), "")

    def betweens_for(self, test: Test, item: Item) -> tuple[str, ...]:
        """Every pair of conductors that `test` is taken between, the usual one first."""
        return self.betweens.get((kind_of(item), test)) or self.betweens.get(("", test), ())

    def limit_for(
        self,
        test: Test,
        item: Item,
        plan: Plan,
        voltage: str | None = None,
        setting: Mapping[str, str] | None = None,
        *,
        between: str | None = None,
        element: str | None = None,
    ) -> Limit | None:
        """What a reading of `test` on `item` is judged by; None where the pack says nothing of it.

        Args:
            voltage: test voltage in volts; the standard one where left out.
            setting: RCD setting (`multiple`, `phase`, `rated`).
            between: conductors on the leads; the usual ones where left out.
            element: where a heating element is (see `Facts`).
        """
        standard = self.voltages_for(test, item, plan)
        facts = facts_of(
            item,
            plan,
            voltage or (standard[0] if standard else None),
            setting,
            between=between or self.between_for(test, item),
            element=element,
        )
        rule = self.rule_for(test, facts)
        return None if rule is None else self._limit(rule, facts)

    def rule_for(self, test: Test, facts: Facts) -> LimitRule | None:
        """The first limit of the pack that applies to `test` on an item of these facts."""
        for rule in self.limits:
            if rule.test is test and facts.item in rule.items and all(c.holds(facts) for c in rule.when):
                return rule
        return None

    def caution_for(self, test: Test) -> str | None:
        """What to tell before `test`; None where there is nothing."""
        return self.cautions.get(test)

    def tests_before(self, test: Test, item: Item, plan: Plan) -> tuple[Test, ...]:
        """Tests of `item` that must not have failed, and must have been done, before `test` is begun."""
        return self._linked(test, item, plan, "after")

    def tests_again(self, test: Test, item: Item, plan: Plan) -> tuple[Test, ...]:
        """Tests of `item` to repeat, besides itself, once `test` has failed and the fault was mended."""
        return self._linked(test, item, plan, "again")

    def _asked(self, item: Item, plan: Plan, need: Need) -> tuple[Test, ...]:
        facts = facts_of(item, plan)
        return self._in_order([rule.test for rule in self.tests if rule.need is need and rule.applies(facts)])

    def _linked(self, test: Test, item: Item, plan: Plan, which: str) -> tuple[Test, ...]:
        facts = facts_of(item, plan)
        own = {rule.test for rule in self.tests if rule.applies(facts)} | set(item.required or ())
        rules = [rule for rule in self.tests if rule.test is test and facts.item in rule.items]
        linked: list[Test] = [other for rule in rules for other in getattr(rule, which) if other in own]
        return self._in_order(linked)

    def _in_order(self, tests: list[Test] | tuple[Test, ...]) -> tuple[Test, ...]:
        """Each once, in the pack's order of work; those that the pack does not know come last."""
        order = list(dict.fromkeys(rule.test for rule in self.tests))
        return tuple(sorted(dict.fromkeys(tests), key=lambda test: order.index(test) if test in order else len(order)))

    def _limit(self, rule: LimitRule, facts: Facts) -> Limit:
        edges, doubt, missing = _edges(rule, facts)
        sentence = rule.sentence.replace("{limit}", " to ".join(e.text for e in edges))
        if missing:
            sentence = f"not judged: the plan does not say {missing}"
        return Limit(
            rule=f"{self.id}/{rule.id}",
            unit=rule.unit,
            edges=edges,
            source=f"{rule.source}, {rule.clause}" if rule.clause else rule.source,
            confidence=rule.confidence,
            sentence=sentence,
            operating_percent=float(self.operating.get(rule.test, STANDARD_OPERATING_PERCENT)),
            doubt=doubt,
            no_trip=rule.no_trip,
        )


def _edges(rule: LimitRule, facts: Facts) -> tuple[tuple[Edge, ...], Edge | None, str]:
    """Edges, second reading, and what the plan lacks to compute them."""
    if not rule.formula:
        return tuple(e for e in (rule.least, rule.most) if e is not None), rule.doubt, ""
    formula = FORMULAS[rule.formula]
    missing = [NAMES[fact] for fact in formula.facts if getattr(facts, fact) is None]
    if missing:
        return (), None, " or ".join(missing)
    computed = formula.compute(rule.figures, facts)
    if computed is None:
        return (), None, "a device or cable that the rule has a figure for"
    least = edge(Side.MIN, computed.least, rule.unit) if computed.least is not None else None
    most = edge(Side.MAX, computed.most, rule.unit) if computed.most is not None else None
    doubtful = computed.doubt is not None and computed.doubt != computed.most
    doubt = edge(Side.MAX, computed.doubt, rule.unit) if computed.doubt is not None and doubtful else None
    return tuple(e for e in (least, most) if e is not None), doubt, ""
