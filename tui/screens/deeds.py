"""What happens when a person wants something: a function for every action of `tui.actions`.

Each asks what it must know, then hands a step to the desk. None waits for the answer: that comes as an event.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from typing import Final

from logger.job.work import unfinished
from logger.proof import Point
from logger.quantity import Relation
from logger.screening import functions_for
from tui.actions import ACTIONS, Scope
from tui.present import unfinished_line
from tui.screens import altering, choosing, handling, pages, reckoning, set_up, timed, walking
from tui.screens.choose import Choice
from tui.screens.context import Context
from tui.screens.which_meter import which_meter
from tui.sentence.open_alterations import altered_words, in_order
from tui.themes import BRIGHT, DARK
from tui.view import plain

Deed = Callable[[Context], Awaitable[None]]


async def take(context: Context) -> None:
    """Take the reading."""
    context.desk.take()


async def understood(context: Context) -> None:
    """Confirm the caution that stands."""
    context.desk.confirm()


async def apart(context: Context) -> None:
    """Check infinity."""
    await _prove(context, Point.INFINITY)


async def joined(context: Context) -> None:
    """Check zero."""
    await _prove(context, Point.ZERO)


async def known(context: Context) -> None:
    """Check a reference: what it is worth must be said, and what must be proven may be measured by it."""
    why = context.desk.why_not_prove()
    typed = None if why else await context.ask("What are the leads on? (figure and unit of the reference)", "0.50 Ohm")
    if why or typed is None:
        if why:
            context.desk.refuse("prove", why)
        return
    found = FIGURE_AND_UNIT.fullmatch(typed.strip())
    if found is None:
        context.desk.refuse("prove", "write the figure of the reference and its unit, such as 0.50 Ohm")
    else:
        context.desk.prove(Point.REFERENCE, {"expect": found[1], "unit": found[2]})


FIGURE_AND_UNIT: Final = re.compile(r"([0-9.]+)\s*(\S.*)")
"""`0.50 Ohm`, as a person types it; the recorder looks at both."""


async def _prove(context: Context, point: Point) -> None:
    """Begin a check; where it would fail at a cost, ask once."""
    doubt = "" if context.desk.why_not_prove() else context.desk.doubt_about(point)
    if not doubt or await context.sure(doubt, "check all the same", "not yet"):
        context.desk.prove(point)


async def yes(context: Context) -> None:
    """Judge: in order."""
    context.desk.judge("yes")


async def no(context: Context) -> None:
    """Judge: not in order, and why. Where no eye can judge, that is said before anything is asked."""
    refusal = context.desk.why_not_judge()
    if refusal:
        context.desk.refuse("judge", refusal)
        return
    why = await context.ask("What is not in order?", "line and neutral are swapped at the socket by the door")
    if why is not None:
        context.desk.judge("no", why)


async def note(context: Context) -> None:
    """Write a note."""
    text = await context.ask("What is to be written down?", "the loft hatch is painted shut")
    if text is not None:
        context.desk.step("note", text=text)


async def key_in(context: Context) -> None:
    """Key in what a meter shows: value, relation, unit."""
    facts = context.facts
    functions = functions_for(facts.selection.test) if facts and facts.selection else ()
    if facts is None or not functions:
        context.desk.refuse("key", "choose what is tested first, so that the figure has a meaning")
        return
    value = await context.ask("What does the meter show? (digits with a point, or inf)", "0.35")
    if value is None:
        return
    units = [Choice(u, u) for u in UNITS_OFFERED]
    unit = await context.choose("In which unit?", units, "MOhm" if functions[0] == "insulation" else "Ohm")
    if unit is None:
        return
    sign, digits = value[:1], value.lstrip("<>").strip()
    relation = {">": Relation.ABOVE, "<": Relation.BELOW}.get(sign, Relation.EQUAL)
    context.desk.key_in({"value": digits, "unit": unit, "relation": str(relation)})


UNITS_OFFERED: Final = ("MOhm", "Ohm", "kOhm", "GOhm", "ms", "s", "mA", "uA", "A", "V", "mV")
"""What testers show, the usual ones first."""


async def finish(context: Context) -> None:
    """Close the logbook; what keeps it open is listed instead."""
    facts = context.facts
    found = context.desk.peek(unfinished)
    if found is None:
        context.desk.refuse("close", "the disk is busy: try again in a moment")
        return
    left = [unfinished_line(each) for each in found if "item" in each]
    if facts is not None:
        left += [altered_words(facts, each) for each in in_order(facts)]
    if left:
        lines = tuple(plain(line) for line in left)
        await context.read(f"Before it can be closed: {len(left)} things", lines)
        return
    seal = await context.sure(
        "Everything is there. A closed logbook takes nothing more. Seal it too, with your signature over every entry?",
        "close and seal",
        "not now",
    )
    if seal:
        context.desk.step("close", seal=True)


async def quit_app(context: Context) -> None:
    """Leave, after one question: gloves slip."""
    facts = context.facts
    if facts is None or facts.closed:
        context.app.exit()
        return
    question = "Leave? Everything recorded is on disk, and the logbook stays open for another day."
    if facts.alterations:
        question += f" Still altered: {len(facts.alterations)}; put it back before supply."
    if await context.sure(question, "leave", "stay"):
        context.app.exit()


async def everything(context: Context) -> None:
    """Find any action by its words."""
    closed = context.desk.is_closed
    choices = [
        Choice(action.name, action.words, f"[{action.shown}]")
        for action in ACTIONS
        if action.name != "everything"
        and (action.scope is not Scope.HANDS or context.hands is not None)
        and not (closed and action.scope is Scope.WORK)
    ]
    picked = await context.choose("Everything that can be done", [*choices, *await reckoning.formula_choices()])
    if picked is None:
        return
    if picked.startswith(reckoning.RECKON_MARK):
        await reckoning.reckon_named(context, picked.removeprefix(reckoning.RECKON_MARK))
    else:
        await DEEDS[picked](context)


async def daylight(context: Context) -> None:
    """Bright or dark."""
    context.app.theme = DARK.name if context.app.theme == BRIGHT.name else BRIGHT.name


DEEDS: Final[dict[str, Deed]] = {
    "take": take,
    "choose": choosing.choose,
    "apart": apart,
    "joined": joined,
    "known": known,
    "understood": understood,
    "yes": yes,
    "no": no,
    "device": altering.device,
    "alter": altering.alter,
    "least_work": walking.least_work,
    "hunt": walking.hunt,
    "skip": choosing.skip,
    "note": note,
    "key_in": key_in,
    "work_list": pages.work_list,
    "set_up": set_up.set_up,
    "which_meter": which_meter,
    "log": pages.log,
    "meters": pages.meters,
    "timed_runs": timed.timed_runs,
    "reckon": reckoning.reckon,
    "finish": finish,
    "everything": everything,
    "help": pages.help_page,
    "daylight": daylight,
    "quit": quit_app,
    "hands_apart": handling.hands_apart,
    "hands_joined": handling.hands_joined,
    "hands_on": handling.hands_on,
    "hands_function": handling.hands_function,
    "hands_voltage": handling.hands_voltage,
    "hands_supply": handling.hands_supply,
    "hands_other": handling.hands_other,
}
"""By the action's name."""
