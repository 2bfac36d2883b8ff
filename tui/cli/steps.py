"""`steps`: the least work that covers everything for a test, in the order in which it is done."""

from __future__ import annotations

import argparse
from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING

from tui.cli.installation import add_common

if TYPE_CHECKING:
    from logger.job.history import History
    from logger.job.steps_walk import Step, StepPlan
    from logger.quantity import Test


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`steps LOGBOOK [--test T --between L+N/PE --at B1] [--all] [--json]`."""
    parser = commands.add_parser("steps", help="the least work that covers everything")
    add_common(parser)
    parser.add_argument("--test", default="insulation", help="which test (insulation where not given)")
    parser.add_argument("--all", action="store_true", help="from the start, whatever has been covered already")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print; 0, or 2 where the call or the logbook is wrong, 4 where it is damaged."""
    from logger.job.steps import least_steps
    from tui.cli.installation import read_history, test_named
    from tui.cli.output import emit, say

    past = read_history(arguments.logbook)
    test = test_named(arguments.test)
    covered = () if arguments.all else tuple(past.coverage(test).by)
    found = least_steps(
        past.network, past.setup, test, arguments.between, arguments.at, covered, items_that_need(past, test)
    ).without_energising()
    if arguments.json:
        emit(found.body())
    else:
        for line in step_plan_lines(found):
            say(line)
    return 0


def items_that_need(past: History, test: Test) -> Collection[str] | None:
    """The items of which plan or rules demand the test; None (all) for insulation, which is about the whole."""
    from logger.job.reach import SEES_ALL

    state = past.state
    if test in SEES_ALL or state.pack is None or state.plan is None:
        return None
    needing = [item.id for item in state.plan.items if test in state.pack.tests_for(item, state.plan)]
    return needing or None


def step_plan_lines(found: StepPlan) -> Iterator[str]:
    """The work as numbered lines for a person."""
    counted = f"{found.readings} reading{'' if found.readings == 1 else 's'}, {found.moves} moves"
    if not found.steps:
        yield f"{found.test.value} between {found.between}: everything is covered."
        return
    yield f"{found.test.value} between {found.between}: {counted}" + (", and no fewer do." if found.exact else ".")
    number = 0
    for step in found.steps:
        if step.do != "select":
            number += 1
            yield f"{number:3}. {step_words(step, found.steps)}"
    if any(step.fields.get("device") == "supply" for step in found.steps):
        yield "The supply stays off: joining it again is for whoever is licensed to, once everything is back."
    if found.left:
        yield f"Not reached however anything is set: {', '.join(found.left)}."


def step_words(step: Step, steps: Collection[Step] = ()) -> str:
    """One step as a sentence. A `take` is told with the `select` that stands before it in `steps`."""
    from logger.text import harmless

    fields = {name: harmless(value) for name, value in step.fields.items()}
    why = f" ({harmless(step.why)})" if step.why else ""
    if step.do == "set":
        return f"Set {fields['device']} to {fields['position']}{why}."
    if step.do == "alter":
        return f"Alter: {fields['what']}, {fields['to']}{why}. Put it back afterwards."
    if step.do == "restore":
        return f"Put back: {fields['what']}{why}."
    selected = next((each for each in reversed(list(_before(step, steps))) if each.do == "select"), None)
    where = f" at {harmless(selected.fields['item'])} between {selected.fields['between']}" if selected else ""
    count = len(step.covers)
    return f"READ{where}: {count} run{'' if count == 1 else 's'} more."


def _before(step: Step, steps: Collection[Step]) -> Iterator[Step]:
    for each in steps:
        if each is step:
            return
        yield each
