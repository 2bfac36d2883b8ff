"""Deeds that only show: the work list, the meters, the log, the keys."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from logger.state import JobState
from logger.text import harmless
from tui.actions import ACTIONS, Scope
from tui.facts import Facts
from tui.live import Live
from tui.present import date_words, meter_name, on_function, test_words
from tui.screens.choose import Choice
from tui.screens.choosing import BETWEEN, outcome_words, select
from tui.screens.context import Context
from tui.screens.log import Log
from tui.view import Line, Lines, Tone, faint, plain, strong

HOW_TO_READ: Final = (
    "Read the words in the margin from top to bottom: they are one sentence. WITH this meter, ON this item, WE SEE "
    "this figure; it MEANS this, it COVERS so much, these things are OPEN, and this is NEXT. What is wrong stands at "
    "the word it belongs to. A figure that is struck through does not count, and MEANS says why."
)

KEY_COLUMNS: Final = 9
ID_COLUMNS: Final = 10
NAME_COLUMNS: Final = 20
"""Columns for key, item and name: with test and outcome a line of the work list fits the least terminal."""


async def work_list(context: Context) -> None:
    """Every test with its outcome; Enter on one chooses it."""
    facts = context.facts
    if facts is None:
        return
    here = f"{facts.selection.item}{BETWEEN}{facts.selection.test}" if facts.selection else ""
    wide = max((len(harmless(work.item, ID_COLUMNS)) for work in facts.work.works), default=0)
    choices = [
        Choice(
            f"{work.item}{BETWEEN}{work.test}",
            f"{harmless(work.item, ID_COLUMNS):<{wide}} {harmless(work.name, NAME_COLUMNS):<{NAME_COLUMNS}} "
            + test_words(work.test),
            outcome_words(work),
        )
        for work in facts.work.works
    ]
    picked = await context.choose("The work list. Enter chooses what is tested.", choices, here)
    if picked is not None and not facts.closed:
        item, _, test = picked.partition(BETWEEN)
        work = next(work for work in facts.work.works if work.item == item and str(work.test) == test)
        await select(context, work.item, work.test)


async def log(context: Context) -> None:
    """The log, down to raw bytes."""
    offset = context.facts.utc_offset_min if context.facts else 0
    await context.app.push_screen_wait(Log(context.path, offset, context.desk.clock))


async def meters(context: Context) -> None:
    """Who is here, and what each is proven for."""
    live = context.desk.live
    lines = context.desk.peek(lambda state: tuple(_meters(state, live)))
    failed = tuple(strong(harmless(str(failure), 600), Tone.BAD) for failure in context.desk.sitting.failures)
    if lines is None:
        context.desk.refuse("meters", "the disk is busy: try again in a moment")
        return
    await context.read("The meters", (*failed, *lines) or (plain("No meter has said who it is yet."),))


def _meters(state: JobState, live: Live) -> Iterator[Line]:
    for serial, meter in state.meters.items():
        here = serial in live.here and serial not in live.lost
        name = meter_name({"maker": meter.maker, "model": meter.model, "serial": serial})
        yield strong(f"{name}{'' if here else ' (not here now)'}")
        battery = "not said" if meter.battery_percent is None else f"{meter.battery_percent} %"
        until = date_words(meter.calibrated_until) if meter.calibrated_until else "not said"
        yield plain(f"  battery {battery}, calibrated until {until}, leads {harmless(meter.leads or 'not said', 16)}")
        yield faint(f"  {harmless(meter.line, 60)}")
        for remark in live.remarks.get(serial, ()):
            yield strong(f"  {harmless(remark, 300)}", Tone.WARN)
        proofs = [(key, proof) for key, proof in state.proofs.items() if key.serial == serial]
        for key, proof in proofs:
            tone = Tone.GOOD if proof.is_whole else Tone.WARN
            why = f" ({harmless(proof.lapsed, 40)})" if proof.lapsed else ""
            yield strong(f"  {on_function(key.function, key.voltage)}: {proof.state}{why}", tone)
        if not proofs:
            yield plain("  never checked")
        yield plain("")


async def help_page(context: Context) -> None:
    """How to read the screen, and the keys."""
    await context.read("zerofirst: how to read the screen, and its keys", help_lines(context.facts, context.hands))


def help_lines(facts: Facts | None, hands: object) -> Lines:
    """The page of keys, out of the table of actions."""
    scopes = {Scope.WORK, Scope.LOOK} | ({Scope.HANDS} if hands else set())
    if facts is not None and facts.closed:
        scopes.discard(Scope.WORK)
    keys = tuple(
        (*strong(f"{action.shown:<{KEY_COLUMNS}}"), *plain(action.words))
        for action in ACTIONS
        if action.scope in scopes
    )
    return (plain(HOW_TO_READ), plain(""), *keys)
