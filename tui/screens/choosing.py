"""Deeds about what is tested: choose it, leave it out."""

from __future__ import annotations

from typing import Final

from logger.job.model import Item
from logger.job.work import Work
from logger.quantity import WITH_TEST_VOLTAGE, Test
from logger.recorder.possible import is_there
from logger.screening import functions_for
from logger.text import harmless
from tui.facts import Facts
from tui.present import VERDICT_SIGN, figure, test_words
from tui.screens.choose import Choice
from tui.screens.context import Context

PROPOSED: Final = "\x00proposed"
"""Value of the first choice: what the work list has next. No id of a plan holds a NUL."""


RCD_SETTINGS: Final = tuple(
    (multiple, sign, phase)
    for multiple, sign in (("1", "1"), ("5", "5"), ("0.5", "½"), ("2", "2"))
    for phase in ("0", "180")
)
"""Multiples of the rated residual current and the start phases that RCD tests are made with."""

AS_IT_IS: Final = "any"

BETWEEN: Final = "\x00"
"""Parts item and test in a value."""


async def choose(context: Context) -> None:
    """Item, then test, then voltage; the first line is what comes next, so that Enter is enough."""
    facts = context.facts
    if facts is None:
        return
    item_id = await context.choose("What is tested?", _items(facts), PROPOSED)
    if item_id is None:
        return
    if item_id == PROPOSED and (work := _proposed(facts)) is not None:
        await select(context, work.item, work.test)
        return
    item_id, _, test_name = item_id.partition(BETWEEN)
    if test_name:
        await select(context, item_id, Test(test_name))
        return
    item = facts.plan.item(item_id)
    test = await context.choose(f"Which test on {_named(item)}?", _tests(facts, item)) if item else None
    if item is not None and test is not None:
        await select(context, item.id, Test(test))


async def select(context: Context, item_id: str, test: Test) -> None:
    """Ask for the voltage where there is a choice, then select."""
    facts = context.facts
    item = facts.plan.item(item_id) if facts else None
    if facts is None or item is None:
        return
    voltages: tuple[str, ...] = ()
    if any(function in WITH_TEST_VOLTAGE for function in functions_for(test)):
        voltages = tuple(facts.pack.voltages_for(test, item, facts.plan))
    voltage = voltages[0] if voltages else None
    if len(voltages) > 1:
        choices = [Choice(v, f"{v} V", "usual here" if v == voltages[0] else "") for v in voltages]
        voltage = await context.choose(f"At which test voltage is {_named(item)} tested?", choices)
        if voltage is None:
            return
    setting = await _setting(context, test)
    if setting is None:
        return
    override: str | None = ""
    missing = context.desk.missing_before(item, test)
    if missing:
        override = await context.ask(
            f"{test_words(test).capitalize()} needs the supply, and on {_named(item)}: {missing}. Go back and do that "
            "first; or say why it cannot be, and your words stand in the record.",
            "go back, or write why not",
        )
    if override is not None:
        context.desk.select(item_id, str(test), voltage, override, setting)


async def _setting(context: Context, test: Test) -> dict[str, str] | None:
    """Multiple and phase of an RCD test; empty for what has none, None when the person goes back."""
    if test is not Test.RCD_TIME:
        return {}
    choices = [Choice(f"{multiple} {phase}", f"{sign} times, from {phase}°") for multiple, sign, phase in RCD_SETTINGS]
    picked = await context.choose(
        "With which setting?", [*choices, Choice(AS_IT_IS, "as the meter is set, whatever it is")]
    )
    if picked is None or picked == AS_IT_IS:
        return None if picked is None else {}
    multiple, phase = picked.split()
    return {"multiple": multiple, "phase": phase}


async def skip(context: Context) -> None:
    """Leave a test out: the selected one is proposed, else one of those that are left."""
    facts = context.facts
    if facts is None:
        return
    if not facts.work.todo:
        context.desk.refuse("skip", "every test that is required has its outcome: there is none to leave out")
        return
    here = f"{facts.selection.item}{BETWEEN}{facts.selection.test}" if facts.selection else ""
    choices = [
        Choice(f"{work.item}{BETWEEN}{work.test}", f"{work.item} {work.name}".strip(), test_words(work.test))
        for work in facts.work.todo
    ]
    question = "Which test is left out, with a reason?"
    if facts.selection and here not in {choice.value for choice in choices}:
        has_it = f"{harmless(facts.selection.item, 16)} {test_words(facts.selection.test)}"
        question += f" (not {has_it}: it has its outcome, or is not required)"
    picked = await context.choose(question, choices, here)
    if picked is None:
        return
    item, _, test = picked.partition(BETWEEN)
    why = await context.ask(f"Why is {test_words(test)} on {harmless(item, 16)} left out?", "no access to the loft")
    if why is not None:
        context.desk.step("skip", item=item, test=test, why=why)


def _items(facts: Facts) -> list[Choice]:
    proposed = _proposed(facts)
    first = []
    if proposed is not None:
        text = f"Next: {proposed.item} {proposed.name}".rstrip()
        first = [Choice(PROPOSED, text, test_words(proposed.test))]
    items = [Choice(item.id, _named(item), _how_far(facts, item)) for item in facts.plan.items]
    pairs = [
        Choice(f"{work.item}{BETWEEN}{work.test}", f"{work.item} {work.name}".strip(), _pair_words(work))
        for work in facts.work.works
    ]
    return [*first, *items, *pairs]


def _pair_words(work: Work) -> str:
    return f"{test_words(work.test)}: {outcome_words(work)}"


def _proposed(facts: Facts) -> Work | None:
    selection = facts.selection
    here = (selection.item, selection.test) if selection else None
    return next((work for work in facts.work.todo if (work.item, work.test) != here), None)


def _named(item: Item | None) -> str:
    return f"{item.id} {item.name}".strip() if item else ""


def _how_far(facts: Facts, item: Item) -> str:
    works = [work for work in facts.work.works if work.item == item.id and work.required]
    if not works:
        return "nothing required"
    left = sum(1 for work in facts.work.todo if work.item == item.id)
    return f"{len(works) - left} of {len(works)} done"


def _tests(facts: Facts, item: Item) -> list[Choice]:
    """The required tests with what came of them, then what else could be tested."""
    works = {work.test: work for work in facts.work.works if work.item == item.id}
    others = [
        test for test in facts.pack.possible_tests(item, facts.plan) if test not in works and is_there(test, item)
    ]
    listed = [Choice(str(work.test), test_words(work.test), outcome_words(work)) for work in works.values()]
    return listed + [Choice(str(test), test_words(test), "not required") for test in others]


def outcome_words(work: Work) -> str:
    """`meets 412 MΩ ✓`: what has come of one piece of work."""
    body = work.result.body if work.result else {}
    shown = figure(body["value"], body["unit"], body["relation"]) if body.get("unit") else ""
    parts = (str(work.outcome), shown, work.why, VERDICT_SIGN.get(work.outcome, ""))
    return " ".join(part for part in parts if part.strip())
