"""Every pocket formula by its name, and the one call that works one out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from logger.errors import InputWrong
from logger.faults import nearest, quoted
from logger.rules.pack import load_pack
from logger.rules.reckoning import appliances, conductors, conformity, earthing, insulation, loops
from logger.rules.reckoning.formula import Answer, Formula
from logger.rules.reckoning.values import read_values

FORMULAS: Final[dict[str, Formula]] = {
    formula.name: formula
    for formula in (
        *insulation.FORMULAS,
        *conductors.FORMULAS,
        *loops.FORMULAS,
        *earthing.FORMULAS,
        *appliances.FORMULAS,
        *conformity.FORMULAS,
    )
}
"""In the order in which they are listed."""


def reckon(name: str, words: Sequence[str], rules: str | None = None) -> Answer:
    """Work out the formula called `name` for quantities as they were typed, each `NAME=VALUE`.

    Args:
        rules: name or path of a rule pack; None leaves it to the formula. Where the formula asks no pack, the answer
            says so.

    Raises:
        InputWrong: naming everything that is wrong or missing, and what to write; or the packs there are, where
            `rules` is none.
    """
    formula = FORMULAS.get(name)
    if formula is None:
        raise InputWrong(f"There is no formula {quoted(name)}{nearest(name, FORMULAS)}")
    pack = None if rules is None else load_pack(rules)
    answer = formula.compute(read_values(formula, words, rules))
    if pack is None or formula.by_rules:
        return answer
    return replace(answer, cautions=(*answer.cautions, f"{name} asks no rule pack: {pack.id} changes nothing in it"))
