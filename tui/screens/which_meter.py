"""The deed of saying which meter is on what is tested, where several are here."""

from __future__ import annotations

from typing import Final

from logger.clock import NS_PER_S
from logger.text import harmless
from tui.live import Live
from tui.present import figure, meter_name, on_function
from tui.screens.choose import Choice
from tui.screens.context import Context

ANY: Final = "\x00any"
"""Value of the choice that names none; no serial number holds a NUL."""


async def which_meter(context: Context) -> None:
    """Ask, each meter with what it reads at this moment: the figure tells which one is in the hand."""
    desk, facts = context.desk, context.facts
    if facts is None:
        return
    live = desk.live
    meters = desk.peek(lambda state: {s: state.meters[s].model for s in live.here if s in state.meters})
    if not meters:
        desk.refuse("which meter", "no meter has said who it is yet" if meters is not None else "the disk is busy")
        return
    choices = [
        Choice(serial, meter_name({"maker": "", "model": model, "serial": serial}), reads(live, serial, facts.now_ns))
        for serial, model in meters.items()
    ]
    choices.append(Choice(ANY, "whichever can do the test"))
    picked = await context.choose("Which meter is on what is tested?", choices, facts.pinned or ANY)
    if picked is not None:
        desk.pin("" if picked == ANY else picked)


def reads(live: Live, serial: str, now_ns: int) -> str:
    """`reads 412 MΩ, insulation, 500 V`, or that it is not heard."""
    if serial in live.lost:
        return f"not heard: {harmless(live.lost[serial].why, 40)}"
    seen = live.meters[serial].newest if serial in live.meters else None
    if seen is None:
        return "no reading yet"
    shown = figure(seen.value.text, seen.value.unit, seen.value.relation)
    age_s = (now_ns - seen.arrived_ns) / NS_PER_S
    return f"reads {shown}, {on_function(seen.function, seen.voltage)}" + (f", {age_s:.0f} s ago" if age_s >= 1 else "")
