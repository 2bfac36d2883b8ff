"""WE SEE: the figure, large, with how far to believe it: relation, accuracy, steadiness, age, and the last minute."""

from __future__ import annotations

from collections import deque
from math import isfinite, log10
from typing import Final

from logger.clock import NS_PER_S
from logger.quantity import UNITS, Function, Relation
from logger.reading import Origin, Range
from logger.rules.limit import Limit, Side
from logger.screening import functions_for
from logger.text import harmless
from tui.facts import Facts
from tui.live import TRACE_S, Live, MeterLive, Seen
from tui.motion import Motion, heading_for, motion
from tui.present import RELATION_SIGN, figure
from tui.sentence.scale import Bounds, accuracy_base, scale_for
from tui.sentence.timed_now import timed_line
from tui.situation import LineState
from tui.view import Line, SeenView, Tone, TraceView, faint, plain, strong

AGE_TOLD_S: Final = 2.0
"""From this age on a figure's age is told, seconds: well inside the three in which a dead line must show."""

LEAST_SPAN: Final = 0.05
"""Least part of itself that the trace spans, so that noise in the last place does not fill it."""

USUAL_UNIT: Final = {Function.INSULATION: "MOhm"}


def we_see(facts: Facts, live: Live) -> SeenView:
    """The figure and what stands around it."""
    seen, limit = facts.seen, facts.limit
    if seen is None or facts.meter is None:
        return SeenView(said="no reading yet", scale=None)
    meter = live.meters[seen.serial]
    measured_on = range_of(seen, facts.meter.ranges)
    accuracy = accuracy_base(seen.value, measured_on)
    return SeenView(
        figure="∞" if seen.value.text == "inf" else seen.value.text,
        sign="" if seen.value.text == "inf" else RELATION_SIGN[seen.value.relation],
        unit=UNITS[seen.value.unit].sign,
        counts=counts_now(facts),
        said=figure(seen.value.text, seen.value.unit, seen.value.relation),
        beside=_beside(facts, seen, meter, accuracy),
        scale=scale_for(
            seen.function,
            seen.value,
            USUAL_UNIT.get(seen.function, seen.value.unit),
            bounds_of(limit) if _fits(facts, seen, limit) else Bounds(),
            [r for r in facts.meter.ranges if r.function is seen.function],
            accuracy,
        ),
        trace=_trace(meter.readings, facts.now_ns),
    )


def counts_now(facts: Facts) -> bool:
    """Whether the newest reading counts under the present selection, and its line is alive."""
    seen, selection = facts.seen, facts.selection
    if seen is None or selection is None or facts.line is LineState.LOST:
        return False
    return seen.accepted and seen.selection == selection.entry


def range_of(seen: Seen, ranges: tuple[Range, ...]) -> Range | None:
    """The range that a reading was taken on, where that can be told."""
    own = [r for r in ranges if r.function is seen.function]
    named = [r for r in own if seen.range_mark and r.mark == seen.range_mark] or own
    return named[0] if len(named) == 1 else None


def bounds_of(limit: Limit | None) -> Bounds:
    """The limit's edges in base units; none where nothing is judged by it."""
    if limit is None or not limit.judged:
        return Bounds()
    edges = {edge.side: edge.base for edge in limit.edges}
    return Bounds(edges.get(Side.MIN), edges.get(Side.MAX))


def _fits(facts: Facts, seen: Seen, limit: Limit | None) -> bool:
    """Whether the limit is about what the meter is on: insulation and continuity are both resistances."""
    if facts.selection is None or limit is None or seen.function not in functions_for(facts.selection.test):
        return False
    return UNITS[limit.unit].dimension is seen.value.dimension


def _beside(facts: Facts, seen: Seen, meter: MeterLive, accuracy: float | None) -> tuple[Line, ...]:
    age_s = (facts.now_ns - seen.arrived_ns) / NS_PER_S
    timed = timed_line(facts, meter, age_s)
    lines: list[Line] = []
    if age_s >= AGE_TOLD_S:
        lines.append(strong(f"{age_s:.0f} s old", Tone.WARN))
        lines.append(strong("line dead", Tone.BAD) if facts.line is LineState.LOST else plain("no new reading"))
    else:
        lines.append(_motion_line(meter, seen, facts.now_ns))
        end = heading_for(meter)
        if end is not None and not timed:
            lines.append(faint(f"towards {_in_unit(end, seen)}?"))
    told = age_s < AGE_TOLD_S or not timed  # four lines are all there is room for
    if told and accuracy is not None and seen.value.relation is Relation.EQUAL:
        lines.append(plain(f"give or take {_in_unit(accuracy, seen)}"))
    if seen.output_voltage is not None:
        lines.append(plain(f"test voltage {harmless(seen.output_voltage, 10)} V"))
    if seen.origin == Origin.KEYED:
        lines.append(plain("keyed by hand"))
    return (*lines, timed) if timed else tuple(lines)


def _motion_line(meter: MeterLive, seen: Seen, now_ns: int) -> Line:
    doing, held_s = motion(meter, now_ns)
    if doing is Motion.STEADY:
        return strong(f"steady for {held_s:.0f} s" if held_s >= 1 else "steady", Tone.GOOD)
    if doing is Motion.UNKNOWN:
        over = {Relation.ABOVE: "over range", Relation.BELOW: "under range"}.get(seen.value.relation, "")
        return plain(over)
    return strong(str(doing), Tone.WARN)


def _in_unit(base: float, seen: Seen) -> str:
    unit = UNITS[seen.value.unit]
    number = base / 10.0**unit.power
    places = max(0, -int(f"{seen.value.resolution:e}".split("e")[1]))
    return f"{number:.{places}f} {unit.sign}"


def _trace(readings: deque[Seen], now_ns: int) -> TraceView:
    """One level a second: the last reading of that second."""
    newest = readings[-1]
    by_second: dict[int, Seen] = {}
    for seen in reversed(readings):
        ago_s = (now_ns - seen.arrived_ns) // NS_PER_S
        if ago_s >= TRACE_S or not seen.is_like(newest):
            break
        by_second.setdefault(TRACE_S - 1 - ago_s, seen)
    logarithmic = newest.function is Function.INSULATION
    heights = {second: _height(seen, logarithmic) for second, seen in by_second.items()}
    measured = [seen for seen in by_second.values() if seen.value.relation is Relation.EQUAL]
    finite = [_height(seen, logarithmic) for seen in measured] or [h for h in heights.values() if isfinite(h)]
    if not finite:
        return TraceView()
    low, high = _span(finite, logarithmic)
    levels = tuple(
        min(1.0, max(0.0, (heights[second] - low) / (high - low))) if second in heights else None
        for second in range(TRACE_S)
    )
    counted = tuple(second in by_second and by_second[second].accepted for second in range(TRACE_S))
    return TraceView(levels, counted, _spans(measured))


def _height(seen: Seen, logarithmic: bool) -> float:
    number = float(seen.value.base)
    if not logarithmic or not isfinite(number):
        return number
    return log10(max(number, float(seen.value.resolution) * 10.0 ** UNITS[seen.value.unit].power, 1e-12))


def _span(heights: list[float], logarithmic: bool) -> tuple[float, float]:
    low, high = min(heights), max(heights)
    least = log10(1 + LEAST_SPAN) if logarithmic else max(abs(high), 1e-12) * LEAST_SPAN
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least, middle + least
    return low, high


def _spans(seen: list[Seen]) -> str:
    """`380 to 412`: what was measured in the last minute."""
    if not seen:
        return "the last minute"
    low, high = min(seen, key=lambda s: s.value.base), max(seen, key=lambda s: s.value.base)
    if low.value.text == high.value.text:
        return "the last minute"
    return f"{figure(low.value.text, '1')} to {figure(high.value.text, '1')}"
