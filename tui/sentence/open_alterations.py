"""OPEN: what has been altered for a test and must be put back before supply."""

from __future__ import annotations

from typing import Final

from logger.job.model import DeviceKind
from logger.job.wiring import SUPPLY
from logger.state import Alteration
from logger.text import harmless
from tui.facts import Facts
from tui.present import local_time
from tui.view import Lines, Tone, faint, strong

TOLD: Final = 1
"""How many alterations are told before the rest is counted: one line; the work list screen has them all."""


def open_alterations(facts: Facts) -> Lines:
    """The line of OPEN."""
    if not facts.alterations:
        return (faint("nothing is altered"),)
    rest = len(facts.alterations) - TOLD
    more = f"; and {rest} more" if rest > 0 else ""
    return (strong(altered_words(facts, in_order(facts)[0]) + more, Tone.WARN),)


def altered_words(facts: Facts, told: Alteration) -> str:
    """One alteration: what, how, since when, and when it goes back."""
    since = local_time(told.at, facts.utc_offset_min)[:5]
    when = "it comes back last of all" if told.what == SUPPLY else "put it back before supply"
    return f"{called(facts, told.what)} is {harmless(told.to, 24)} since {since}: {when}"


def in_order(facts: Facts) -> list[Alteration]:
    """Alterations in the order in which they are put back: the oldest first, the supply last."""
    return sorted(facts.alterations, key=lambda each: each.what == SUPPLY)


def called(facts: Facts, what: str) -> str:
    """A device by its kind and id, where the plan has it: `neutral-earth link LK1`."""
    if what == SUPPLY:
        return "the supply"
    device = facts.plan.devices.get(what)
    name = harmless(what, 40)
    if device is None:
        return name
    return f"neutral-earth link {name}" if device.kind is DeviceKind.LINK else f"{device.kind} {name}"
