"""Timed runs found in readings: when the test voltage came on, how long it stayed, and what was read at the marks.

Nothing is said on the line of a voltage that comes on or goes, so that it is read off the readings themselves. A run
begins at the first reading under a selection, and anew wherever the readings show that the voltage was off or the
leads elsewhere:

    the meter restarted · its function or test voltage changed · an outside voltage was on the leads · a self-check had
    the leads · no readings for a while, and none missing · leads apart (over range) or joined (nothing), then not

What is turned away counts for no mark. Readings that fill a gap fall into place, since only the meter's own numbers and
milliseconds matter. Pure; the same for the screen, as readings come, and for the log, when all have.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from logger.bodies import Body
from logger.quantity import DECIMAL_TEXT, UNITS, Displayed, Function, Relation
from logger.reading import Origin
from logger.screening import Reason
from logger.timed_run import MARKS_S, TimedRun

PAUSE_MS: Final = 2_000
"""So much time for each number between two readings, milliseconds: the measurement had stopped. A meter asked for one
reading a second, the fewest that a URL asks for, is well inside it."""

FALLS_BY: Final = 2
"""Over range, and then this many times less than it was over: the leads were apart. Insulation that is left alone rises
with time, and what flickers at the top of its range stays near it."""

POINTS_APART_MS: Final = 80
"""Nearer readings of one kind are left out, milliseconds: ten a second are all kept, five hundred are thinned."""

POINTS_AT_MOST: Final = 1_500
"""Most points kept of a run that goes on: sixteen meters for twenty minutes would else be half a million."""

NEWEST_POINTS: Final = 400
"""How many of the newest are never thinned out: a quarter of a minute at the highest rate, 40 s at ten a second."""

OLD_POINTS_APART_MS: Final = 5_000
"""How near points that are not new may stand, milliseconds, where they are alike."""

MARK_MS: Final = 1_000
"""How near a mark every point is kept, milliseconds."""

WHOLE_S: Final = 2.0 * MARKS_S[-1]
"""After this long a run has all that it will have, seconds: ten minutes more for what fills a gap over a mark."""


@dataclass(frozen=True, slots=True)
class RunPoint:
    """One reading as a run needs it.

    Attributes:
        order: boots as they came, then the meter's own number.
        ms: the meter's milliseconds since that boot.
        selection: entry of the selection that it belongs to; None for none.
        counts: it was accepted.
        ends: it shows that no test voltage is on the conductors that are tested.
        after_drop_out: it is the first after the line was away: missing readings need not mean a pause.
    """

    order: tuple[int, int]
    ms: int
    value: Displayed
    voltage: str | None
    selection: int | None
    counts: bool
    ends: bool
    entry: int
    after_drop_out: bool = False


@dataclass(slots=True)
class Run:
    """One run. `ended`: why it goes no further, for a person; empty where nothing says that it does not."""

    timed: TimedRun
    selection: int | None = None
    voltage: str | None = None
    in_range: bool = False
    ended: str = ""


RESTARTED: Final = "the meter restarted"
STOPPED: Final = "the measurement was stopped"
LEFT: Final = "the leads were taken off"
CHANGED: Final = "something else was measured"


@dataclass(slots=True)
class _Fold:
    """Readings in their order into runs. `step` is the only way in."""

    runs: list[Run] = field(default_factory=list)
    last: RunPoint | None = None

    def step(self, point: RunPoint) -> bool:
        """Take one in; whether a new run has begun with it."""
        why = self._why_anew(point)
        if why and self.runs and not self.runs[-1].ended:
            self.runs[-1].ended = why
        begins = bool(why or self.last is None) and not point.ends
        self.last = point
        if begins:
            self.runs.append(Run(TimedRun(point.ms)))
        if not point.ends:
            self._into(self.runs[-1], point)
        return begins

    def _into(self, run: Run, point: RunPoint) -> None:
        run.voltage = point.voltage
        if not point.counts:
            run.timed.goes_on(point.ms)
            return
        run.selection = point.selection
        run.in_range |= point.value.relation is Relation.EQUAL
        run.timed.add(point.ms, point.value, point.entry)

    def _why_anew(self, point: RunPoint) -> str:
        """Why this reading does not go on with the run before it; empty where it does."""
        last = self.last
        if last is None:
            return ""
        if point.order[0] != last.order[0]:
            return RESTARTED
        selected = self.runs[-1].selection if self.runs else None
        moved = None not in (selected, point.selection) and selected != point.selection
        if point.ends or last.ends or point.voltage != last.voltage or moved:
            return CHANGED
        if not point.after_drop_out and point.ms - last.ms > PAUSE_MS * (point.order[1] - last.order[1]):
            return STOPPED
        return LEFT if _leads_were_elsewhere(last, point) else ""


def _leads_were_elsewhere(last: RunPoint, point: RunPoint) -> bool:
    """Apart or joined before, and not now; after a drop-out, any great fall."""
    if point.value.relation is not Relation.EQUAL:
        return False
    if last.value.relation is Relation.ABOVE or point.after_drop_out:
        return point.value.base * FALLS_BY < last.value.base
    return _is_nothing(last.value.text) and not _is_nothing(point.value.text)


def _is_nothing(text: str) -> bool:
    """Whether a figure is zero or below: of the text, since this is asked of every reading."""
    return text.startswith("-") or not text.strip("0.")


def find_runs(points: Iterable[RunPoint]) -> list[Run]:
    """The runs of one meter's readings, oldest first, in whatever order the readings come."""
    fold = _Fold()
    for point in sorted(points, key=_order):
        fold.step(point)
    return fold.runs


class Thinner:
    """Leaves out what lies so near to the reading before that it says nothing new; one meter's, as they come."""

    def __init__(self) -> None:
        self._kept: RunPoint | None = None
        self._held: RunPoint | None = None

    def keep(self, point: RunPoint) -> list[RunPoint]:
        """The readings to keep now: this one, and the last one left out before it, so that every change is sharp."""
        if self._kept is not None and _is_near(self._kept, point):
            self._held = point
            return []
        held, self._held, self._kept = self._held, None, point
        return [point] if held is None else [held, point]


def _is_near(kept: RunPoint, point: RunPoint) -> bool:
    return 0 <= point.ms - kept.ms < POINTS_APART_MS and _like(kept) == _like(point) and not point.after_drop_out


def _like(point: RunPoint) -> tuple[object, ...]:
    return (point.order[0], point.counts, point.ends, point.selection, point.voltage, point.value.relation)


def _is_near_a_mark(run_ms: int) -> bool:
    return any(abs(run_ms - mark_s * 1000) <= MARK_MS for mark_s in MARKS_S)


class RunNow:
    """The run that goes on, as readings come; bounded: what came before it is forgotten. Not thread-safe."""

    def __init__(self) -> None:
        self._points: list[RunPoint] = []
        self._fold = _Fold()
        self._thinner = Thinner()
        self._late = False

    def take(self, point: RunPoint) -> None:
        """One more reading. One that comes late is put in its place when somebody looks."""
        for kept in self._thinner.keep(point):
            self._take(kept)

    def _take(self, point: RunPoint) -> None:
        last = self._points[-1] if self._points else None
        if last is not None and point.order < last.order:
            if self._points[0].order < point.order:
                insort(self._points, point, key=_order)
                self._late = True
                if len(self._points) >= POINTS_AT_MOST:
                    self._thin_out()
            return
        if self._late:
            self._refold()
        if self._fold.step(point) or point.ends:
            self._points.clear()
            del self._fold.runs[:-1]
        self._points.append(point)
        if self._fold.runs and self._fold.runs[-1].timed.latest_s > WHOLE_S:
            del self._points[:-1]
        elif len(self._points) >= POINTS_AT_MOST:
            self._thin_out()

    def _thin_out(self) -> None:
        """Of what is older than the newest points, keep the first, the changes, what stands near a mark, and one here
        and there: enough to put in its place what comes late."""
        start_ms = self._fold.runs[-1].timed.start_ms if self._fold.runs else 0
        old, new = self._points[:-NEWEST_POINTS], self._points[-NEWEST_POINTS:]
        kept = old[:1]
        for point in old[1:]:
            alike = _like(point) == _like(kept[-1]) and not point.after_drop_out
            if not alike or point.ms - kept[-1].ms >= OLD_POINTS_APART_MS or _is_near_a_mark(point.ms - start_ms):
                kept.append(point)
        room = POINTS_AT_MOST - 2 * NEWEST_POINTS
        self._points = [kept[0], *kept[1:][-room:], *new]

    @property
    def held(self) -> int:
        """How many points are kept."""
        return len(self._points)

    def run(self) -> Run | None:
        """The run that the newest reading belongs to; None where the voltage is off or nothing was read."""
        if self._late:
            self._refold()
        return self._fold.runs[-1] if self._fold.runs and not self._fold.runs[-1].ended else None

    def _refold(self) -> None:
        self._fold, self._late = _Fold(), False
        for point in self._points:
            self._fold.step(point)


def _order(point: RunPoint) -> tuple[int, int]:
    return point.order


def point_of(entry: int, body: Body, boot_order: int, *, after_drop_out: bool = False) -> RunPoint | None:
    """A `reading` entry as a run needs it; None for one without the meter's own time, and for a repeat.

    Args:
        boot_order: which boot of the meter it was made in, counted in any ascending way.
    """
    reasons, text = body["reasons"], str(body["value"])
    if body.get("meter_ms") is None or body["origin"] == Origin.KEYED or Reason.REPEAT in reasons:
        return None
    if not DECIMAL_TEXT.match(text) or body["unit"] not in UNITS:
        return None
    value = Displayed(text, body["unit"], Relation(body["relation"]))
    is_insulation = body["function"] == Function.INSULATION
    return RunPoint(
        order=(boot_order, int(body["n"])),
        ms=int(body["meter_ms"]),
        value=value,
        voltage=body["voltage"],
        selection=body.get("selection"),
        counts=bool(body["accepted"]) and is_insulation,
        ends=not is_insulation or Reason.LIVE_LEADS in reasons or body.get("check") is not None,
        entry=entry,
        after_drop_out=after_drop_out,
    )


class PointMaker:
    """One meter's `reading` entries into points, as they come: counts its boots, minds when its line was away."""

    def __init__(self) -> None:
        self._boot = ""
        self._boots = 0
        self._away = False

    def line_went(self) -> None:
        """The line broke."""
        self._away = True

    def make(self, entry: int, body: Body) -> RunPoint | None:
        """As `point_of`."""
        if str(body["boot"]) != self._boot:  # a meter sends nothing of an earlier one
            self._boot, self._boots = str(body["boot"]), self._boots + 1
        point = point_of(entry, body, self._boots, after_drop_out=self._away)
        if point is not None:
            self._away = False
        return point
