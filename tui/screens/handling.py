"""Deeds of the simulated hands: what a person does at the installation, done here with digits."""

from __future__ import annotations

import asyncio

from logger.text import harmless
from tui.present import test_words
from tui.screens.choose import Choice
from tui.screens.context import Context
from tui.view import plain


async def hands_apart(context: Context) -> None:
    """Hold the leads apart."""
    await context.move_hands(lambda hands: hands.apart())


async def hands_joined(context: Context) -> None:
    """Hold the leads together."""
    await context.move_hands(lambda hands: hands.joined())


async def hands_on(context: Context) -> None:
    """Put the leads on the selected item, between the selected conductors."""
    facts = context.facts
    selection = facts.selection if facts else None
    if selection is None:
        context.desk.refuse("hands", "choose what is tested first, so that the hands know where to")
        return
    await context.move_hands(lambda hands: hands.on_item(selection.item, selection.between))


async def hands_function(context: Context) -> None:
    """Turn the meter to a function."""
    facts = context.facts
    ranges = facts.meter.ranges if facts and facts.meter else ()
    functions = dict.fromkeys(str(r.function) for r in ranges)
    meant = context.desk.view.next_step.about if context.desk.view else ""
    wanted = meant if meant in functions else str(facts.key.function) if facts and facts.key else ""
    picked = await context.choose(
        "Turn the simulated meter to which function?", [Choice(f, test_words(f)) for f in functions], wanted
    )
    if picked is not None:
        await context.move_hands(lambda hands: hands.turn_to(picked))


async def hands_voltage(context: Context) -> None:
    """Set the test voltage of insulation."""
    facts = context.facts
    ranges = facts.meter.ranges if facts and facts.meter else ()
    voltages = dict.fromkeys(v for r in ranges for v in r.voltages)
    wanted = facts.key.voltage or "" if facts and facts.key else ""
    choices = [Choice(v, f"{harmless(v, 12)} V") for v in voltages]
    picked = await context.choose("Set the simulated meter to which test voltage?", choices, wanted)
    if picked is not None:
        await context.move_hands(lambda hands: hands.turn_to("insulation", picked))


async def hands_supply(context: Context) -> None:
    """Connect the supply, or isolate it; never while something is altered."""
    facts = context.facts
    if context.hands is not None and not context.hands.supply_on and facts and facts.alterations:
        context.desk.refuse("hands", "put back what is altered before the supply comes on, in a simulation too")
        return
    await context.move_hands(lambda hands: hands.switch_supply())


async def hands_other(context: Context) -> None:
    """Anything else, in the simulator's own words."""
    text = await context.ask("What do the simulated hands do? (help lists the words)", "battery 5")
    if text is None:
        return
    if text.strip() == "help" and context.hands is not None:
        await _help(context)
        return
    await context.move_hands(lambda hands: hands.do(text))


async def _help(context: Context) -> None:
    hands = context.hands
    assert hands is not None
    said = await asyncio.to_thread(hands.do, "help")
    await context.read("Words of the simulated hands", tuple(plain(harmless(line)) for line in said.split("\n")))
