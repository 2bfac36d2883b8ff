"""The timed run that goes on, as one short line beside the figure: how long, what comes next, DAR and PI once known."""

from __future__ import annotations

from typing import Final

from logger.quantity import Relation, Test
from logger.timed_run import MARK_WORDS, MARKS_S, Mark, Ratios, TimedRun
from tui.facts import Facts
from tui.live import MeterLive
from tui.situation import LineState
from tui.timed_words import clock_words, ratio
from tui.view import Line, plain

SHOWN_FROM_S: Final = 20.0
"""From this long on a run is told of, seconds: a reading that is taken at once has none."""

STOPPED_AFTER_S: Final = 2.0
"""Without a reading for so long, on a line that lives, the measurement was stopped, seconds."""


def timed_line(facts: Facts, meter: MeterLive, age_s: float) -> Line:
    """`run 0:34, 60 s in 26 s`, then `DAR 1.42, PI in 8:12`; empty where no run is worth telling.

    Args:
        age_s: seconds since the newest reading came.
    """
    selection, run = facts.selection, meter.timed.run()
    if selection is None or selection.test is not Test.INSULATION or run is None or run.selection != selection.entry:
        return ()
    timed, away = run.timed, facts.line is LineState.LOST
    if timed.latest_s < SHOWN_FROM_S or not run.in_range:
        return ()
    if away:
        return plain(f"run {clock_words(timed.latest_s + age_s)} goes on")
    ratios = timed.ratios()
    over_range = meter.newest is not None and meter.newest.value.relation is not Relation.EQUAL
    if age_s >= STOPPED_AFTER_S or over_range:  # the leads are apart, or a ratio cannot be had any more
        found = [f"{name} {ratio(n)}" for name, n in (("DAR", ratios.dar), ("PI", ratios.pi)) if n is not None]
        return plain(", ".join(found)) if found else ()
    return plain(_goes_on(timed, ratios))


def _goes_on(timed: TimedRun, ratios: Ratios) -> str:
    at_s, (half, minute, ten) = timed.latest_s, MARKS_S
    dar = "no DAR" if ratios.dar is None else f"DAR {ratio(ratios.dar)}"
    if at_s >= ten:
        return f"{dar}, {'no PI' if ratios.pi is None else f'PI {ratio(ratios.pi)}'}"
    if at_s >= minute:
        return f"{dar}, PI in {clock_words(ten - at_s)}"
    if at_s >= half and not _serves(timed.marks.get(half)):
        return f"run {clock_words(at_s)}, no {MARK_WORDS[half]}"
    coming = half if at_s < half else minute
    return f"run {clock_words(at_s)}, {MARK_WORDS[coming]} in {coming - at_s:.0f} s"


def _serves(mark: Mark | None) -> bool:
    return mark is not None and mark.is_a_figure
