"""`trend`: insulation of an item over time, over several logbooks, as read and normalised to one temperature."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logger.trend import TrendKey, TrendPoint


@dataclass(frozen=True)
class Found:
    """A result and where it stands. `title`: of its job; `name`: of its item; `day`: local date and time."""

    logbook: Path
    title: str
    name: str
    day: str
    point: TrendPoint


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`trend LOGBOOK… [--item ID] [--to TEMPERATURE] [--json]`."""
    parser = commands.add_parser(
        "trend",
        help="insulation of an item over time, normalised for comparing",
        description="Insulation of an item over time, normalised for comparing: every insulation result of these "
        "logbooks, oldest first, as it was read; and at one temperature where the record holds the temperature of the "
        "reading, by the rule that insulation halves for each 10 K upwards. Never for a verdict.",
    )
    parser.add_argument("logbook", type=Path, nargs="+")
    parser.add_argument("--item", metavar="ID", help="this item alone")
    parser.add_argument("--to", metavar="TEMPERATURE", default="20 °C", help="normalise to this (20 °C)")
    parser.add_argument("--json", action="store_true")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print; 0, or 2 where a logbook, the item or the temperature is wrong, 4 where a logbook is damaged."""
    from tui.cli.output import emit, say

    to_c = _reference(arguments.to)
    groups = _grouped([each for path in arguments.logbook for each in _of(path)], arguments.item)
    if arguments.json:
        for key, found in groups.items():
            emit(_record(key, found, to_c))
        return 0
    for line in _lines(groups, to_c):
        say(line)
    return 0


def _reference(text: str) -> Decimal:
    from logger.errors import InputWrong
    from logger.rules.reckoning.formula import AMBIENT
    from logger.units import convert, parse_quantity

    typed = parse_quantity(text, "Cel")
    to_c = convert(typed.number, typed.unit, "Cel")
    if not AMBIENT.hold(to_c):
        raise InputWrong("No insulation is at that temperature", f"--to must be {AMBIENT}")
    return to_c


def _of(path: Path) -> Iterator[Found]:
    from logger.clock import SystemClock, from_rfc3339
    from logger.errors import LogbookDamaged
    from logger.logbook.reader import LogbookReader
    from logger.trend import trend_points
    from tui.wiring import fold

    with LogbookReader.open(path) as reader:
        state = fold(reader, SystemClock())
        try:
            points = trend_points(reader.entries(kinds=("result",)), state)
        except (KeyError, TypeError, ValueError) as error:
            raise LogbookDamaged(f"{path} holds a result that is none", "run `zerofirst audit` on it") from error
    plan = state.plan
    for point in points:
        item = plan.item(point.key.item) if plan else None
        day = from_rfc3339(point.at).strftime("%Y-%m-%d %H:%M")
        yield Found(path, plan.title if plan else "", item.name if item else "", day, point)


def _grouped(found: Sequence[Found], item: str | None) -> dict[TrendKey, list[Found]]:
    from logger.errors import InputWrong
    from logger.faults import quoted
    from logger.text import harmless

    items = sorted({each.point.key.item for each in found})
    if item is not None and item not in items:
        known = f"there are results for {', '.join(harmless(each, 36) for each in items)}" if items else "there is none"
        raise InputWrong(f"No insulation result stands for {quoted(item)}", known)
    groups: dict[TrendKey, list[Found]] = {}
    for each in sorted(found, key=lambda each: each.point.at):
        if item is None or each.point.key.item == item:
            groups.setdefault(each.point.key, []).append(each)
    return groups


def _record(key: TrendKey, found: Sequence[Found], to_c: Decimal) -> dict[str, Any]:
    from logger.rules.reckoning.formula import exact

    def reading(each: Found) -> dict[str, Any]:
        point, normalised = each.point, each.point.normalised_mohm(to_c)
        return {
            "logbook": str(each.logbook),
            "job": each.title,
            "at": point.at,
            "entry": point.entry,
            "reading": point.reading,
            "value": point.value.text,
            "unit": point.value.unit,
            "relation": point.value.relation,
            "temperature": None if point.temperature_c is None else format(point.temperature_c, "f"),
            "normalised": None if normalised is None else exact(normalised),
            "in_doubt": point.in_doubt,
        }

    return {
        "item": key.item,
        "between": key.between,
        "voltage": key.voltage,
        "to": format(to_c, "f"),
        "normalised_unit": "MOhm",
        "results": [reading(each) for each in found],
    }


def _lines(groups: Mapping[TrendKey, Sequence[Found]], to_c: Decimal) -> Iterator[str]:
    from logger.text import harmless
    from tui.present import between_words, volts

    if not groups:
        yield "No insulation result stands in these logbooks."
        return
    jobs = {each.title for found in groups.values() for each in found}
    several = len({each.logbook for found in groups.values() for each in found}) > 1
    for key, found in groups.items():
        name = harmless(f"{key.item} {found[-1].name}".strip(), 60)
        yield f"{name}, insulation{volts(key.voltage)}, {between_words(key.between)}:"
        for each in found:
            yield f"  {_line(each, to_c)}" + (f", {harmless(each.logbook.name, 60)}" if several else "")
    yield (
        f"At {to_c.normalize():f} °C by the rule of thumb that insulation halves for each 10 K upwards, from the "
        "ambient temperature in the record: for comparing only, never for a verdict. Surfaces that are wet, and "
        "readings below the dew point, do not follow it."
    )
    if len(jobs) > 1:
        yield "These logbooks are of different jobs: see that the items are the same."


def _line(each: Found, to_c: Decimal) -> str:
    from logger.rules.reckoning.formula import shown
    from tui.present import RELATION_SIGN, figure

    point, normalised = each.point, each.point.normalised_mohm(to_c)
    read = figure(point.value.text, point.value.unit, point.value.relation)
    sign = RELATION_SIGN[point.value.relation]
    if point.temperature_c is None:
        at = "temperature not recorded"
    elif normalised is None:
        at = f"at {point.temperature_c:f} °C"
    else:
        at = f"at {point.temperature_c:f} °C, {sign}{shown(normalised, 3)} MΩ at {to_c.normalize():f} °C"
    return f"{each.day} UTC  {read:>12} {at}{', in doubt' if point.in_doubt else ''} [{point.entry}]"
