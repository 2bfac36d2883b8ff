"""`rules`: the limits in force, each with its source, edition and how well it is known."""

from __future__ import annotations

import argparse
import shutil
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from logger.rules.pack import Pack
    from logger.rules.pack_rules import LimitRule

# Columns between which the text is wrapped: narrower is unreadable, wider is hard to follow with the eye.
NARROWEST_COLUMNS: Final = 60
WIDEST_COLUMNS: Final = 120


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`rules [NAME] [--json]`."""
    parser = commands.add_parser("rules", help="the limits in force, each with its source")
    parser.add_argument("name", nargs="?", help="a rule pack by name, or the path of your own; else the list of ours")
    parser.add_argument("--json", action="store_true")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print; 0, or an error with exit code 2 where there is no such pack or it is wrong."""
    from logger.rules.pack import load_pack, pack_names
    from tui.cli.output import emit, say

    if arguments.name is None:
        packs = [load_pack(name) for name in pack_names()]
        if arguments.json:
            emit({"rules": [_head(pack) for pack in packs]})
            return 0
        for pack in packs:
            say(f"{pack.id}: {pack.title} ({pack.jurisdiction})")
            say(f"    {pack.edition}")
        say("Use: zerofirst rules iec, or the path of your own pack. Check your own edition and your local rules.")
        return 0
    pack = load_pack(arguments.name)
    if arguments.json:
        emit({**_head(pack), **_whole(pack)})
    else:
        for line in _lines(pack):
            say(line)
    return 0


def _head(pack: Pack) -> dict[str, object]:
    return {
        "pack": pack.id,
        "title": pack.title,
        "edition": pack.edition,
        "jurisdiction": pack.jurisdiction,
        "kind": str(pack.kind),
        "notice": pack.notice,
    }


def _whole(pack: Pack) -> dict[str, object]:
    return {
        "limits": [_limit_record(pack, rule) for rule in pack.limits],
        "tests": [
            {
                "test": str(rule.test),
                "items": list(rule.items),
                "need": str(rule.need),
                "when": [condition.words for condition in rule.when],
                "after": [str(test) for test in rule.after],
            }
            for rule in pack.tests
        ],
        "cautions": {str(test): caution for test, caution in pack.cautions.items()},
    }


def _limit_record(pack: Pack, rule: LimitRule) -> dict[str, object]:
    return {
        "rule": f"{pack.id}/{rule.id}",
        "test": str(rule.test),
        "items": list(rule.items),
        "when": [condition.words for condition in rule.when],
        "least": rule.least.text if rule.least else None,
        "most": rule.most.text if rule.most else None,
        "formula": rule.formula or None,
        "figures": {name: f"{figure:f}" for name, figure in rule.figures.items()},
        "unit": rule.unit if rule.judged else None,
        "judged": rule.judged,
        "source": rule.source,
        "clause": rule.clause,
        "confidence": str(rule.confidence),
        "sentence": rule.sentence.replace("{limit}", rule.figure),
    }


def _lines(pack: Pack) -> Iterator[str]:
    from logger.text import harmless

    yield f"{harmless(pack.id)}: {harmless(pack.title)}"
    yield from _wrapped(f"Edition: {pack.edition}. Jurisdiction: {pack.jurisdiction}.", "")
    yield from _wrapped(pack.notice, "")
    for test in dict.fromkeys(rule.test for rule in pack.limits):
        yield ""
        yield f"{test}"
        for rule in pack.limits:
            if rule.test is test:
                yield from _limit_lines(rule)
    yield ""
    yield "Tests, in order of work"
    for kind in dict.fromkeys(item for rule in pack.tests for item in rule.items):
        yield from _wrapped(f"{kind}: {', '.join(_tests_of(pack, kind))}", "  ")


def _limit_lines(rule: LimitRule) -> Iterator[str]:
    from logger.rules.reckoning.formula import shown

    where = ", ".join(rule.items)
    when = "; ".join(condition.words for condition in rule.when)
    yield from _wrapped(f"{where}{': ' if when else ''}{when}", "  ")
    yield from _wrapped(f"{_standing(rule)}{rule.sentence.replace('{limit}', rule.figure)}", "      ")
    if rule.formula:
        figures = ", ".join(f"{name}: {shown(figure)}" for name, figure in rule.figures.items())
        yield from _wrapped(f"computed: {rule.formula}{' from ' if figures else ''}{figures}", "      ")
    source = f"{rule.source}, {rule.clause}" if rule.clause else rule.source
    yield from _wrapped(f"[{source}; {rule.confidence}: {rule.confidence.words}]", "      ")


def _standing(rule: LimitRule) -> str:
    """What becomes of a reading under a rule that gives no verdict."""
    if rule.judged or rule.sentence.startswith("not judged"):
        return ""
    unsure = rule.confidence is rule.confidence.UNSURE
    return "check your edition; recorded, never judged: " if unsure else "recorded, not judged: "


def _tests_of(pack: Pack, kind: str) -> list[str]:
    """Every test of a kind of item, in order, with what it depends on."""
    found = []
    for rule in pack.tests:
        if kind in rule.items:
            when = f" if {' and '.join(condition.words for condition in rule.when)}" if rule.when else ""
            found.append(f"{rule.test} ({rule.need}{when})")
    return found


def _wrapped(text: str, indent: str) -> list[str]:
    from logger.text import harmless

    columns = min(max(shutil.get_terminal_size().columns, NARROWEST_COLUMNS), WIDEST_COLUMNS)
    plain = harmless(text, at_most=len(text) + 1)
    return textwrap.wrap(plain, columns, initial_indent=indent, subsequent_indent=indent + "  ") or [""]
