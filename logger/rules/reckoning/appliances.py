"""Pocket formulas of appliances: earth resistance by cord, leakage by power and by substitute voltage."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from logger.errors import InputWrong
from logger.quantity import Test
from logger.rules.facts import Facts
from logger.rules.formulas import FORMULAS as LIMIT_FORMULAS
from logger.rules.limit import Confidence
from logger.rules.pack import Pack
from logger.rules.pack_rules import LimitRule
from logger.rules.physics import appliances
from logger.rules.reckoning.formula import FROM_ZERO, Answer, Formula, Given, Quantity, one, shown

UNSURE_CORD: Final = (
    "unsure: sources differ on the allowance for larger cords; check your edition",
    "the smallest limit is 0.1 Ohm",
)
_LARGEST_TABLED_MM2: Final = Decimal("1.5")


def _rule(pack: Pack, test: Test, facts: Facts) -> LimitRule:
    rule = pack.rule_for(test, facts)
    if rule is None or not (rule.formula or rule.most):
        raise InputWrong(f"The rule pack {pack.id} has no figure for this", "use --rules with a pack for appliances")
    return rule


def _most(rule: LimitRule, facts: Facts) -> tuple[Decimal, Decimal | None]:
    """The limit and, where sources read the rule in two ways, the other one; unrounded."""
    if rule.most is not None:
        return rule.most.number, None
    computed = LIMIT_FORMULAS[rule.formula].compute(rule.figures, facts)
    if computed is None or computed.most is None:
        raise InputWrong(
            "There is no conductor of that section in IEC 60228", "use a standard section, such as 1.5 mm2"
        )
    return computed.most, computed.doubt


def _cord(given: Given) -> Answer:
    pack = given.pack("en-appliances")
    facts = Facts("class-I", earthed=True, cord_m=given["length"], cord_mm2=given["size"])
    found = pack.rule_for(Test.EARTH_CONTINUITY, facts)
    if found is not None and found.confidence is Confidence.UNSURE and given["size"] > _LARGEST_TABLED_MM2:
        result = appliances.cord_by_section(given["length"], given["size"])
        step = f"l / (56 A) + 0.1 = {shown(result)} Ohm"
        return Answer(one(result, "Ohm"), (step,), f"{found.source}, {found.clause}", UNSURE_CORD)
    rule = _rule(pack, Test.EARTH_CONTINUITY, facts)
    limit, other = _most(rule, facts)
    cautions = [pack.notice]
    if other is not None and other != limit:
        cautions.insert(0, f"where a step begun counts whole it is {shown(other)} Ohm; sources differ")
    sentence = rule.sentence.replace("{limit}", shown(limit))
    source = f"{rule.source}, {rule.clause} ({rule.confidence.words})"
    return Answer(one(limit, "Ohm"), (sentence,), source, tuple(cautions))


def _heater(given: Given) -> Answer:
    pack = given.pack("en-appliances")
    facts = Facts("class-I", earthed=True, heating=True, heating_w=given["power"])
    rule = _rule(pack, Test.PROTECTIVE_CURRENT, facts)
    limit, _ = _most(rule, facts)
    if rule.most is not None:
        limit *= 1000
    sentence = rule.sentence.replace("{limit}", shown(limit))
    source = f"{rule.source}, {rule.clause} ({rule.confidence.words})"
    return Answer(one(limit, "mA"), (sentence,), source, (pack.notice,))


def _substitute(given: Given) -> Answer:
    scaled = appliances.substitute_leakage(given["current"] * 1000, given["test"], given["rated"])
    step = (
        f"{shown(given['current'] * 1000)} mA x {shown(given['rated'])} / {shown(given['test'])} = {shown(scaled)} mA"
    )
    cautions = (f"a symmetric input filter counts double: some guidance halves it, to {shown(scaled / 2)} mA",)
    return Answer(one(scaled, "mA"), (step,), "leakage grows with voltage (EN 50678 and EN 50699)", cautions)


FORMULAS: Final = (
    Formula(
        "cord-earth-limit",
        "greatest earth resistance of an appliance, by its cord and rule pack",
        (Quantity("length", "length of the cord", "m", bounds=FROM_ZERO), Quantity("size", "section", "mm2")),
        _cord,
        by_rules=True,
    ),
    Formula(
        "heater-leakage-limit",
        "greatest protective conductor current of a heater, by rule pack",
        (Quantity("power", "heating power", "W"),),
        _heater,
        by_rules=True,
    ),
    Formula(
        "substitute-leakage",
        "leakage at rated voltage from a substitute reading",
        (
            Quantity("current", "as measured", "A", bounds=FROM_ZERO, ask=("mA", "A")),
            Quantity("test", "voltage of the test", "V"),
            Quantity("rated", "rated voltage", "V", default="230"),
        ),
        _substitute,
    ),
)
