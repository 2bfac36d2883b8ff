"""Deeds that lead through work a step at a time: the least work for a test, and the hunt for a faulty circuit.

The steps are worked out off the loop, from the log. Nothing is handed to the session that the person has not confirmed
as done, and a reading is theirs alone: the walk chooses what is tested and steps aside.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final

from logger.job.conductors import USUAL_BETWEEN
from logger.job.history import History
from logger.job.hunt_log import Hunted, hunt_in
from logger.job.network_of import network_of
from logger.job.steps import least_steps
from logger.job.steps_walk import Step, StepPlan, never_on
from logger.quantity import Test
from logger.text import harmless
from tui.cli.installation import read_history
from tui.cli.steps import items_that_need
from tui.screens import altering
from tui.screens.context import Context
from tui.screens.stride import Stride
from tui.sentence.standing_now import set_up_now
from tui.sentence.walk_words import hunt_lines, plan_heading, stride_heading, stride_lines
from tui.view import plain, strong
from tui.walk import Walk

NOT_THERE_YET: Final = (
    "The step before this one is not in the log. Wait a moment; if it stays so, leave and begin again."
)

BEFORE_SUPPLY: Final = "The supply stays as it is. Look at the set-up (i) before anybody joins it."

Made = Callable[[Context], Awaitable[Walk | None]]


async def least_work(context: Context) -> None:
    """Walk through the least work for the selected test, or go on with it."""
    await _go(context, "least_work", _make_least)


async def hunt(context: Context) -> None:
    """Find which circuit makes the reading of the whole fail, or go on with it."""
    await _go(context, "hunt", _make_hunt)


async def _go(context: Context, purpose: str, make: Made) -> None:
    """Go on where it was left, else have the steps worked out; then one after the other while they are confirmed."""
    walk = _resumed(context, purpose) or await make(context)
    context.desk.walk = walk
    note = ""
    while walk is not None and walk.step is not None:
        sheet = Stride(stride_heading(walk), stride_lines(walk, note), _done_word(walk.step))
        if not await context.app.push_screen_wait(sheet):
            return
        if not _stands(context, walk):
            note = NOT_THERE_YET
            continue
        note = ""
        is_reading = walk.selected is not None
        walk = await _confirmed(context, walk)
        context.desk.walk = walk
        if is_reading:
            return
    if walk is not None:
        context.desk.walk = None
        await context.read(walk.heading, (strong("That was all of it."), plain(BEFORE_SUPPLY)))


def _done_word(step: Step) -> str:
    return "choose it, then read" if step.do in {"select", "take"} else "it is done, next"


async def _confirmed(context: Context, walk: Walk) -> Walk:
    """Hand over the step that the person has confirmed."""
    step = walk.step
    assert step is not None
    fields = step.fields
    match step.do:
        case "set":
            await altering.say_set(context, fields["device"], fields["position"])
        case "alter":
            await altering.say_altered(context, fields["what"], fields["to"], step.why)
        case "restore":
            await altering.say_back(context, fields["what"])
        case _:
            selected = walk.selected
            assert selected is not None
            context.desk.step("select", **selected.fields)
            newest = context.desk.peek(lambda state: state.results[-1].entry if state.results else 0) or 0
            return walk.onward(newest) if step.do == "select" else walk
    return walk.onward()


def _resumed(context: Context, purpose: str) -> Walk | None:
    """The walk that was left, past the reading that has come since; None where it must be worked out anew."""
    walk = context.desk.walk
    if walk is None or walk.purpose != purpose or not _stands(context, walk):
        return None
    if walk.step is not None and walk.step.do == "take":
        left = walk
        if context.desk.peek(lambda state: left.has_result(state.results)):
            walk = walk.onward()
    return walk if walk.step is not None else None


def _stands(context: Context, walk: Walk) -> bool:
    """Whether the log has come to where the walk has."""
    facts = context.facts
    return facts is not None and walk.stands(set_up_now(walk.network, facts))


# -- the least work ---------------------------------------------------------------------------------------------------


async def _make_least(context: Context) -> Walk | None:
    facts = context.facts
    if facts is None or network_of(facts.plan) is None:
        context.desk.refuse("least_work", "there is no installation to walk through: the plan draws none")
        return None
    chosen = facts.selection.test if facts.selection is not None else Test.INSULATION
    test = chosen if chosen in USUAL_BETWEEN else Test.INSULATION
    past, found = await asyncio.to_thread(_least, context.path, test)
    if not found.steps:
        left = f"Not reached however anything is set: {harmless(', '.join(found.left), 400)}." if found.left else ""
        await context.read(plan_heading(found), (strong("Everything that can be reached is covered."), plain(left)))
        return None
    return Walk("least_work", plan_heading(found), past.network, past.setup, never_on(found.steps))


def _least(path: Path, test: Test) -> tuple[History, StepPlan]:
    past = read_history(path)
    covered = tuple(past.coverage(test).by)
    return past, least_steps(past.network, past.setup, test, None, None, covered, items_that_need(past, test))


# -- the hunt ---------------------------------------------------------------------------------------------------------


async def _make_hunt(context: Context) -> Walk | None:
    past, hunted = await asyncio.to_thread(_hunt, context.path)
    finding = hunted.finding
    heading = f"Which circuit is it? Insulation at {harmless(finding.at, 16)}, failed in entry {hunted.began}"
    lines = hunt_lines(finding, past.setup)
    if finding.is_done:
        await context.read(heading, lines)
        return None
    if not await context.app.push_screen_wait(Stride(heading, lines, "walk through it")):
        return None
    return Walk("hunt", heading, past.network, past.setup, never_on(finding.next_steps))


def _hunt(path: Path) -> tuple[History, Hunted]:
    past = read_history(path)
    return past, hunt_in(past)
