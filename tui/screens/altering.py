"""Deeds about how the installation stands: a device's position, an alteration, and putting it back."""

from __future__ import annotations

from typing import Final

from logger.job.model import DeviceKind
from logger.job.wiring import SUPPLY
from logger.text import harmless
from tui.facts import Facts
from tui.present import local_time
from tui.screens.choose import Choice
from tui.screens.context import Context

OTHER: Final = "\x00other"
"""Value of `something else`; no id of a plan holds a NUL."""

BACK_MARK: Final = "\x00back:"
"""Goes before what is to be put back, to tell it from what could be altered."""


async def device(context: Context) -> None:
    """Say how a device stands: which one, then where."""
    facts = context.facts
    if facts is None:
        return
    picked = await context.choose(
        "Which device stands otherwise than the screen says?", _devices(facts), _meant(context)
    )
    if picked is None:
        return
    possible = facts.plan.devices[picked].positions
    now = facts.positions.get(picked, "")
    choices = [Choice(p, p, "as the screen has it" if p == now else "") for p in possible]
    other = next((p for p in possible if p != now), now)
    position = await context.choose(f"How does {harmless(picked, 16)} stand?", choices, other)
    if position is not None:
        await say_set(context, picked, position)


def _meant(context: Context) -> str:
    """What NEXT speaks of: the list begins on it, so that Enter does what was asked and nothing else."""
    view = context.desk.view
    return view.next_step.about if view is not None else ""


async def say_set(context: Context, device: str, position: str) -> None:
    """A device stands so now."""
    context.desk.step("set", device=device, position=position)
    words = f"{SUPPLY} {position}" if device == SUPPLY else f"set {device} {position}"
    await context.move_hands(lambda hands: hands.do(words))


async def say_altered(context: Context, what: str, to: str, why: str) -> None:
    """Something is altered for the time being."""
    context.desk.step("alter", what=what, to=to, why=why)
    facts = context.facts
    if what == SUPPLY:
        await context.move_hands(lambda hands: hands.do("supply off"))
    elif facts is not None and what in facts.plan.devices:
        await context.move_hands(lambda hands: hands.do(f"set {what} {to}"))


async def say_back(context: Context, what: str) -> None:
    """Something altered is as it was."""
    facts = context.facts
    before = next((a.before for a in facts.alterations if a.what == what), None) if facts is not None else None
    context.desk.step("restore", what=what)
    if before:
        await context.move_hands(lambda hands: hands.do(f"set {what} {before}"))


async def alter(context: Context) -> None:
    """Put something back, or alter something: what is open comes first."""
    facts = context.facts
    if facts is None:
        return
    choices, meant = _alterable(facts), _meant(context)
    ways = [BACK_MARK + meant, meant] if meant else []
    if meant and facts.plan.item(meant) is not None:  # a circuit's lamps and loads are told in words
        ways.append(OTHER)
    preset = next((way for way in ways if way in {choice.value for choice in choices}), "")
    picked = await context.choose("What is put back, or altered?", choices, preset)
    if picked is None:
        return
    if picked.startswith(BACK_MARK):
        await say_back(context, picked.removeprefix(BACK_MARK))
    elif picked == SUPPLY:
        await say_altered(context, SUPPLY, "off", "isolated and proven dead")
    elif picked == OTHER:
        await _alter_words(context)
    else:
        await _alter_device(context, facts, picked)


async def _alter_device(context: Context, facts: Facts, name: str) -> None:
    now = facts.positions.get(name, "")
    choices = [Choice(p, p) for p in facts.plan.devices[name].positions if p != now]
    to = await context.choose(f"{harmless(name, 16)} is {now}. What is it now?", choices)
    why = await context.ask("What for?", "insulation test", may_be_empty=True) if to is not None else None
    if to is not None and why is not None:
        await say_altered(context, name, to, why)


async def _alter_words(context: Context) -> None:
    what = await context.ask("What is altered?", "lamp of C3")
    to = await context.ask("How is it now?", "out") if what else None
    why = await context.ask("What for?", "insulation test", may_be_empty=True) if to else None
    if what and to and why is not None:
        context.desk.step("alter", what=what, to=to, why=why)


def _devices(facts: Facts) -> list[Choice]:
    found = [each for each in facts.plan.devices.values() if each.positions]
    own = {each.id for each in getattr(facts.item, "path", ())}
    found.sort(key=lambda each: each.id not in own)
    return [Choice(each.id, f"{each.id}  {_kind(each.kind)}", facts.positions.get(each.id, "")) for each in found]


def _alterable(facts: Facts) -> list[Choice]:
    back = [
        Choice(
            BACK_MARK + a.what,
            f"Put back: {a.what}",
            f"{a.to} since {local_time(a.at, facts.utc_offset_min)[:5]}",
        )
        for a in facts.alterations
    ]
    links = [each for each in facts.plan.devices.values() if each.positions]
    links.sort(key=lambda each: each.kind is not DeviceKind.LINK)
    open_now = {a.what for a in facts.alterations}
    others = [
        Choice(each.id, f"{each.id}  {_kind(each.kind)}", f"is {facts.positions.get(each.id, '')}")
        for each in links
        if each.id not in open_now
    ]
    supply = [] if SUPPLY in open_now else [Choice(SUPPLY, "supply  of the whole installation", "is connected")]
    return [*back, *supply, *others, Choice(OTHER, "something else, in words")]


def _kind(kind: DeviceKind) -> str:
    return "neutral-earth link" if kind is DeviceKind.LINK else str(kind).replace("-", " ")
