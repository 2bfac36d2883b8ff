"""What a selection may not ask: settings that no tester has, tests of what is not there, leads that cannot answer.

Each gives back what was asked, as the selection keeps it, or refuses in one sentence with what is possible. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Final

from logger.errors import InputWrong
from logger.job.conductors import EARTH, PHASES, is_line, lines_of, lines_of_circuit, read_between
from logger.job.model import Circuit, Earth, Item, JobKind, Plan
from logger.proof import plain_number
from logger.quantity import RCD_FUNCTIONS, Test
from logger.recorder.event import Refusal
from logger.recorder.fields import number_of
from logger.rules.pack import Pack
from logger.screening import functions_for

RCD_MULTIPLES: Final = ("0.5", "1", "2", "5")
"""Multiples of the rated residual current at which break times are laid down (IEC 61008-1, IEC 61009-1)."""

RCD_PHASES: Final = ("0", "180")
"""Start phases of an RCD test, degrees: the test current begins in one half-wave or the other."""

SETTINGS: Final = ("multiple", "phase", "rated")

BETWEEN: Final = re.compile(r"(?:L[123]?|N|PE)(?:\+(?:L[123]?|N|PE))*(?:/(?:L[123]?|N|PE)(?:\+(?:L[123]?|N|PE))*)*\Z")
"""Conductors on the leads: `L+N/PE`, `L/N`, `L1/L2/L3`, `PE` …"""

Leads = tuple[tuple[str, ...], ...]
"""Conductors by lead; those of one lead are joined."""


def setting_for(asked: object, test: Test, item: Item) -> dict[str, str]:
    """The setting of an RCD test as a selection keeps it, the plan's rated current filled in; empty for other tests.

    Raises:
        Refusal: a setting on a test that has none, or one that no RCD test is made with.
    """
    given = asked or {}
    if not isinstance(given, Mapping) or set(given) - set(SETTINGS):
        raise Refusal("`setting` may hold multiple, phase and rated", possible=list(SETTINGS))
    if not _is_rcd(test):
        if given:
            raise Refusal(f"{test} has no setting: leave `setting` out")
        return {}
    setting = {name: plain_number(number_of(given, name, None)) for name in given}
    for name, possible in (("multiple", RCD_MULTIPLES), ("phase", RCD_PHASES)):
        if setting.get(name, possible[0]) not in possible:
            said = f"no RCD is tested with a {name} of {setting[name]}"
            raise Refusal(f"{said}: choose {', '.join(possible[:-1])} or {possible[-1]}", possible=list(possible))
    if "rated" in setting and Decimal(setting["rated"]) <= 0:
        raise Refusal("`rated` is the rated residual current in mA: it must be more than 0")
    if "rated" not in setting and isinstance(item, Circuit) and item.rcd is not None:
        setting["rated"] = plain_number(str(item.rcd.rating_ma))
    return setting


def is_there(test: Test, item: Item) -> bool:
    """Whether the plan has what `test` tests: an RCD test of a circuit needs an RCD, described or along its path."""
    return not _is_rcd(test) or not isinstance(item, Circuit) or item.has_rcd


def refuse_without_rcd(test: Test, item: Item) -> None:
    """Refuse a test of what the plan does not have."""
    if is_there(test, item):
        return
    raise Refusal(f"the plan has no RCD on {item.id}, so there is nothing for {test} to trip: select another test")


def between_for(asked: object, test: Test, item: Item, plan: Plan, pack: Pack) -> str:
    """The conductors that the leads go on, as a selection keeps them; the usual ones where nobody says.

    Raises:
        Refusal: what names no conductors, or none that this item has, or none that this test looks at.
    """
    usual = pack.betweens_for(test, item)
    if asked is None:
        return next(iter(usual), "")
    fitting = [each for each in usual if not _why_not(each, test, item, plan)]
    if not isinstance(asked, str) or not (asked in usual or BETWEEN.match(asked)):
        raise Refusal(
            f"{asked!r} names no conductors: join them with + and part the two leads with /",
            possible=fitting or ["L+N/PE", "L/N", "L/PE", "N/PE", "PE"],
        )
    why = _why_not(asked, test, item, plan)
    if why:
        raise Refusal(f"{test} on {item.id} is not taken between {asked}: {why}", possible=fitting)
    return asked


def _is_rcd(test: Test) -> bool:
    return any(function in RCD_FUNCTIONS for function in functions_for(test))


def _leads(between: str) -> Leads:
    return tuple(tuple(lead.split("+")) for lead in between.split("/"))


def _why_not(between: str, test: Test, item: Item, plan: Plan) -> str:
    """Why the leads cannot go on these conductors; empty where they can. What no plan draws (a case) always can."""
    if not BETWEEN.match(between):
        return ""
    return _why_not_there(between, item, plan) or _why_not_for(_leads(between), test)


def _why_not_there(between: str, item: Item, plan: Plan) -> str:
    """Why these conductors are not all there; empty where they are."""
    names = [name for lead in _leads(between) for name in lead]
    if isinstance(item, Earth) and set(names) != {EARTH}:
        return "it is an earthing conductor and has PE alone"
    lines = lines_of_circuit(item) if isinstance(item, Circuit) else lines_of(plan)
    missing = next((name for name in names if name in PHASES and name not in lines), None)
    if plan.kind is JobKind.INSTALLATION and missing is not None:
        return f"it has no {missing}"
    try:
        read_between(between, plan)
    except InputWrong as wrong:
        return wrong.sentence.rpartition(": ")[2]
    return ""


def _why_not_for(leads: Leads, test: Test) -> str:
    """Why this test does not look at these conductors; empty where it does."""
    single = all(len(lead) == 1 for lead in leads)
    names = [name for lead in leads for name in lead]
    to_earth = single and len(leads) == 2 and EARTH in names and any(is_line(name) for name in names)
    if test is Test.INSULATION and len(leads) < 2:
        return "it needs conductors on both leads"
    if test is Test.EARTH_CONTINUITY and not (single and EARTH in names and len(leads) <= 2):
        return "it follows the protective conductor from end to end"
    if test is Test.EARTH_ELECTRODE and names != [EARTH]:
        return "it looks at the electrode alone"
    if test in {Test.EARTH_LOOP, Test.RCD_TIME, Test.RCD_CURRENT} and not to_earth:
        return "its current runs from a line to earth"
    if test is Test.LINE_LOOP and (EARTH in names or not single or len(leads) != 2):
        return "its current runs from a line to neutral or to another line"
    if test is Test.RING_CONTINUITY and not single:
        return "it looks at one conductor of the ring at a lead"
    return ""
