"""OPEN: what has been altered for a test and must be put back before supply."""

from __future__ import annotations

from typing import Final

from logger.job.model import DeviceKind
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
    oldest = facts.alterations[0]
    since = local_time(oldest.at, facts.utc_offset_min)[:5]
    rest = len(facts.alterations) - TOLD
    more = f"; and {rest} more" if rest > 0 else ""
    text = f"{called(facts, oldest.what)} is {harmless(oldest.to, 24)} since {since}: put it back before supply{more}"
    return (strong(text, Tone.WARN),)


def called(facts: Facts, what: str) -> str:
    """A device by its kind and id, where the plan has it: `neutral-earth link LK1`."""
    device = facts.plan.devices.get(what)
    name = harmless(what, 40)
    if device is None:
        return name
    return f"neutral-earth link {name}" if device.kind is DeviceKind.LINK else f"{device.kind} {name}"
