"""Deeds about the pocket formulas: pick one, write its quantities in one line, read what comes of it.

The formulas themselves, their units and their sources are `logger.rules.reckoning`; they are loaded when first asked
for, and worked out off the loop. Nothing here touches the log.
"""

from __future__ import annotations

import asyncio
import re
from typing import TYPE_CHECKING, Final

from logger.errors import InputWrong
from logger.quantity import UNITS
from logger.text import harmless
from tui.screens.choose import Choice
from tui.screens.context import Context
from tui.view import Line, Lines, Tone, faint, plain, strong

if TYPE_CHECKING:
    from logger.rules.reckoning.formula import Answer, Formula

RECKON_MARK: Final = "\x00reckon:"
"""Goes before a formula's name in a list, to tell it from an action's; no name holds a NUL."""

TEXT_AT_MOST: Final = 400
"""Longest line of an answer shown, characters: five rows of the least terminal."""

WHERE_A_QUANTITY_BEGINS: Final = re.compile(r"\s+(?=[A-Za-z][\w-]*\s*=)")
"""A value may have spaces in it (`length=28 m`); the next quantity begins at a word with `=` behind it."""


def words_of(typed: str) -> list[str]:
    """`length=28 m  line = 2,5 mm²` as `NAME=VALUE` words."""
    found = WHERE_A_QUANTITY_BEGINS.split(typed.strip())
    return [
        f"{name.strip()}={value.strip()}" if mark else name for name, mark, value in (w.partition("=") for w in found)
    ]


async def formula_choices() -> list[Choice]:
    """Every formula as a line of a list."""
    formulas = await asyncio.to_thread(_formulas)
    return [Choice(RECKON_MARK + each.name, f"reckon {each.name}: {each.what}") for each in formulas.values()]


async def reckon(context: Context) -> None:
    """Pick a formula, then reckon with it."""
    picked = await context.choose("What is to be reckoned?", await formula_choices())
    if picked is not None:
        await reckon_named(context, picked.removeprefix(RECKON_MARK))


async def reckon_named(context: Context, name: str) -> None:
    """Ask for the quantities until they are right or the person goes back; then show the answer."""
    formula = (await asyncio.to_thread(_formulas))[name]
    typed: str | None = ""
    wrong = ""
    while True:
        typed = await context.ask(_question(formula, wrong), _example(formula), may_be_empty=True, typed=typed or "")
        if typed is None:
            return
        try:
            answer = await asyncio.to_thread(_work_out, name, words_of(typed) if typed else [])
        except InputWrong as error:
            wrong = harmless(str(error), TEXT_AT_MOST)
            continue
        await context.read(f"{name}: {formula.what}", answer_lines(name, typed, answer))
        return


def answer_lines(name: str, typed: str, answer: Answer) -> Lines:
    """Result, working, source and cautions, as lines of a page."""
    from logger.rules.reckoning.formula import shown

    results: list[Line] = []
    for key, figure in answer.results.items():
        unit = UNITS[figure.unit].sign if figure.unit in UNITS else figure.unit
        bound = "at least " if answer.at_least else ""
        results.append(strong(f"{key or name} = {bound}{shown(figure.number)} {unit}".rstrip()))
    return (
        faint(harmless(typed, TEXT_AT_MOST) or "with the usual quantities"),
        *results,
        plain(""),
        *(plain(f"  {harmless(step, TEXT_AT_MOST)}") for step in answer.working),
        plain(""),
        plain(f"Source: {harmless(answer.source, TEXT_AT_MOST)}."),
        *(strong(f"Mind: {harmless(each, TEXT_AT_MOST).rstrip('.')}.", Tone.WARN) for each in answer.cautions),
        faint("A help for the head: nothing of it goes into the log."),
    )


def _question(formula: Formula, wrong: str) -> str:
    """What it asks for, each on a line; above it what was wrong with the last answer."""
    rows = [f"{formula.name}: {formula.what}"]
    for each in formula.quantities:
        unit = f" in {each.unit}" if each.unit and each.unit != "1" else ""
        left_out = f", else {each.default}" if each.default else ", may be left out" if each.optional else ""
        rows.append(f"  {each.name}: {each.what}{unit}{left_out}")
    return "\n".join([*([f"Not yet: {wrong}", ""] if wrong else []), *rows])


def _example(formula: Formula) -> str:
    return " ".join(f"{each.name}=…" for each in formula.quantities if each.required)


def _formulas() -> dict[str, Formula]:
    from logger.rules.reckoning.catalogue import FORMULAS

    return FORMULAS


def _work_out(name: str, words: list[str]) -> Answer:
    from logger.rules.reckoning.catalogue import reckon as work_out

    return work_out(name, words)
