"""A timed run of insulation in words: its marks, DAR and polarisation index, and why one is missing. No Textual.

The ratios are help and record. None of them is a verdict: which figure is good differs by source and by what is tested.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from logger.text import harmless
from logger.timed_run import MARK_WORDS, MARKS_S, Ratios, TimedRun
from tui.present import between_words, figure, volts

if TYPE_CHECKING:
    from logger.timed_log import TimedEntry

HEADING: Final = "Timed runs of insulation"

NO_VERDICT: Final = (
    "DAR is the reading at 60 s over that at 30 s, PI (polarisation index) at 10 min over 60 s. For comparing, never a "
    "verdict: sources disagree on what is good, so check the maker's or your own."
)


def ratio(number: Decimal) -> str:
    """`1.42`: more places than anybody can repeat mean nothing."""
    return f"{number:.2f}"


def clock_words(seconds: float) -> str:
    """`0:34`, minutes and seconds."""
    whole = max(0, int(seconds))
    return f"{whole // 60}:{whole % 60:02}"


def marks_words(timed: TimedRun) -> str:
    """`30 s 212 MΩ [123], 60 s 301 MΩ [423]`: what was read at each mark, with its entry."""
    parts = []
    for mark_s in MARKS_S:
        mark = timed.marks.get(mark_s)
        if mark is not None:
            shown = figure(mark.value.text, mark.value.unit, mark.value.relation)
            parts.append(f"{MARK_WORDS[mark_s]} {shown} [{mark.entry}]")
    return ", ".join(parts) or "no mark"


def ratios_words(ratios: Ratios) -> str:
    """`DAR 1.42, PI 2.03`, and why one is missing."""
    named = (("DAR", ratios.dar), ("PI", ratios.pi))
    found = ", ".join(f"{name} {ratio(number)}" for name, number in named if number is not None)
    return "; ".join(part for part in (found or "no ratio", ratios.missing, ratios.mind) if part)


def entry_line(found: TimedEntry) -> str:
    """One run of a logbook, whole."""
    selection, run = found.selection, found.run
    between = f", {between_words(selection.between)}" if selection.between else ""
    ended = f"; ended after {clock_words(run.timed.latest_s)}: {run.ended}" if run.ended else ""
    ratios = ratios_words(run.timed.ratios(over=True))
    head = f"{harmless(selection.item, 36)} insulation{volts(run.voltage)}{between}, meter {harmless(found.serial, 40)}"
    return f"{head}: {marks_words(run.timed)}; {ratios}{ended}"


def entry_record(found: TimedEntry) -> dict[str, Any]:
    """The same for a program; decimals as text."""
    selection, timed = found.selection, found.run.timed
    ratios = timed.ratios(over=True)
    return {
        "item": selection.item,
        "test": selection.test,
        "between": selection.between,
        "voltage": found.run.voltage,
        "serial": found.serial,
        "selection": selection.entry,
        "seconds": f"{timed.latest_s:.1f}",
        "marks": [
            {
                "at_s": mark_s,
                "reading": mark.entry,
                "value": mark.value.text,
                "unit": mark.value.unit,
                "relation": mark.value.relation,
            }
            for mark_s, mark in sorted(timed.marks.items())
        ],
        "dar": None if ratios.dar is None else f"{ratios.dar:.6g}",
        "pi": None if ratios.pi is None else f"{ratios.pi:.6g}",
        "missing": ratios.missing,
        "mind": ratios.mind,
        "ended": found.run.ended,
    }
