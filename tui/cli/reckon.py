"""`reckon`: the trade's formulas as pocket tools, with their working and source."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logger.rules.reckoning.formula import Answer, Formula


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`reckon [FORMULA] [NAME=VALUE…] [--rules PACK] [--json]`."""
    parser = commands.add_parser(
        "reckon",
        help="the trade's formulas, with the working",
        usage="zerofirst reckon [FORMULA] [NAME=VALUE ...] [--rules PACK] [--json]",
        description="Works out a formula for quantities with their units as people write them, such as length=28m "
        "line=2.5mm2 device=B32. Lists have commas between; semicolons or spaces where a comma is the decimal mark. "
        "Without a formula: the list of them.",
    )
    parser.add_argument("words", nargs=argparse.REMAINDER, metavar="FORMULA NAME=VALUE", help="see the list")
    parser.add_argument("--rules", metavar="PACK", help="rule pack by name or path, where the formula uses one")
    parser.add_argument("--json", action="store_true", help="full precision, for programs")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the answer, or the list; 0, or an error with exit code 2."""
    from logger.rules.pack import load_pack
    from logger.rules.reckoning.catalogue import FORMULAS, reckon

    words, rules, as_json = _options(arguments)
    if not words:
        if rules is not None:
            load_pack(rules)
        _print_list(list(FORMULAS.values()), as_json=as_json)
        return 0
    answer = reckon(words[0], words[1:], rules)
    if as_json:
        _emit(words[0], answer)
    else:
        _print(words[0], answer)
    return 0


def _options(arguments: argparse.Namespace) -> tuple[list[str], str | None, bool]:
    """The words without the options that stand between or behind them."""
    from logger.errors import InputWrong

    words: list[str] = []
    rules, as_json = arguments.rules, arguments.json
    remaining = iter(arguments.words)
    for word in remaining:
        if word == "--json":
            as_json = True
        elif word.startswith("--rules="):
            rules = word.removeprefix("--rules=")
        elif word == "--rules":
            rules = next(remaining, None)
            if rules is None:
                raise InputWrong("--rules needs a rule pack", "see zerofirst rules for the names")
        elif word.startswith("--"):
            raise InputWrong("reckon knows the options --rules and --json alone", "write quantities as NAME=VALUE")
        else:
            words.append(word)
    return words, rules, as_json


def _print_list(formulas: Sequence[Formula], *, as_json: bool) -> None:
    from tui.cli.output import emit, say

    if as_json:
        names = [{"formula": each.name, "what": each.what, "quantities": _quantities(each)} for each in formulas]
        emit({"formulas": names})
        return
    for formula in formulas:
        say(f"{formula.name}: {formula.what}")
        for quantity in formula.quantities:
            unit = f" in {quantity.unit}" if quantity.unit and quantity.unit != "1" else ""
            default = (
                f", else {quantity.default}" if quantity.default else ", may be left out" if quantity.optional else ""
            )
            say(f"    {quantity.name:<12} {quantity.what}{unit}{default}")
    say("Use: zerofirst reckon r1-plus-r2 line=2.5mm2 earth=1.5mm2 length=28m")


def _quantities(formula: Formula) -> list[dict[str, object]]:
    return [
        {
            "name": quantity.name,
            "what": quantity.what,
            "unit": quantity.unit or None,
            "default": quantity.default,
            "required": quantity.required,
        }
        for quantity in formula.quantities
    ]


def _emit(name: str, answer: Answer) -> None:
    from logger.rules.reckoning.formula import exact
    from tui.cli.output import emit

    results = {key: exact(figure.number) for key, figure in answer.results.items()}
    units = {key: figure.unit for key, figure in answer.results.items()}
    record: dict[str, object] = {
        "formula": name,
        "result": results.get("", results),
        "unit": next(iter(units.values())) if len(set(units.values())) == 1 else units,
        "working": "; ".join(answer.working),
        "source": answer.source,
        "cautions": list(answer.cautions),
    }
    if answer.at_least:
        record["relation"] = "gt"
    emit(record)


def _print(name: str, answer: Answer) -> None:
    from logger.quantity import UNITS
    from logger.rules.reckoning.formula import shown
    from tui.cli.output import say

    for key, figure in answer.results.items():
        unit = UNITS[figure.unit].sign if figure.unit in UNITS else figure.unit
        bound = "at least " if answer.at_least else ""
        say(f"{key or name} = {bound}{shown(figure.number)} {unit}".rstrip())
    for step in answer.working:
        say(f"    {step}")
    say(f"Source: {answer.source}.")
    for caution in answer.cautions:
        say(f"Mind: {caution.rstrip('.')}.")
