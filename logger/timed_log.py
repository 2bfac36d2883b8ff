"""The timed runs that a logbook holds: derived from its readings, for whoever looks afterwards. Writes nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from logger.bodies import Body, Selection, selection_from_body
from logger.clock import from_rfc3339
from logger.errors import LogbookDamaged
from logger.logbook.entries import Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.quantity import Relation, Test
from logger.timed_run import MARKS_S
from logger.timed_runs import RESTARTED, PointMaker, Run, RunPoint, Thinner, find_runs

SHORTEST_S: Final = 29.0
"""A selection that stood for less holds no run that reached its first mark, seconds: its readings are not looked at."""

BROKEN_FROM_S: Final = 20.0
"""From this long on it is told that a restart of the meter broke a run, seconds: somebody was waiting for its marks."""


@dataclass(frozen=True, slots=True)
class TimedEntry:
    """A run and what it was made under. `serial`: of its meter."""

    selection: Selection
    serial: str
    run: Run


def timed_runs(reader: LogbookReader) -> list[TimedEntry]:
    """The runs of insulation that reached a mark, oldest first.

    Raises:
        LogbookDamaged: where an entry cannot be read.
    """
    found: list[TimedEntry] = []
    for selection, first, last in _windows(reader):
        for serial, points in _points(reader, first, last).items():
            runs = [run for run in find_runs(points) if run.selection == selection.entry]
            found += [TimedEntry(selection, serial, run) for run in _worth_telling(runs)]
    return found


def _windows(reader: LogbookReader) -> Iterator[tuple[Selection, int, int]]:
    """Each selection of an insulation test that stood long enough, with the first and last entry to look at.

    Before the first selection of a session the voltage may have been on already, so that these are looked at from its
    start.
    """
    milestones = list(reader.entries(kinds=(Kind.OPENED, Kind.SELECTION)))
    newest = reader.last()
    if newest is None:
        return
    end = replace(newest, number=newest.number + 1)
    before: Entry | None = None
    for each, following in pairwise([*milestones, end]):
        stood_s = (from_rfc3339(following.at) - from_rfc3339(each.at)).total_seconds()
        if each.kind == Kind.SELECTION and each.data["test"] == Test.INSULATION and stood_s >= SHORTEST_S:
            opened = before is not None and before.kind == Kind.OPENED
            first = before.number if opened and before is not None else each.number
            yield selection_from_body(each.number, each.data), first, following.number - 1
        before = each


def _points(reader: LogbookReader, first: int, last: int) -> dict[str, list[RunPoint]]:
    """The readings of each meter, thinned."""
    by_meter: dict[str, _Meter] = {}
    for entry in reader.entries(first=first, last=last, kinds=(Kind.READING, Kind.DISCONNECTED)):
        body = entry.data
        meter = by_meter.setdefault(str(body.get("serial")), _Meter())
        if entry.kind == Kind.DISCONNECTED:
            meter.maker.line_went()
        else:
            meter.take(entry.number, body)
    return {serial: meter.points for serial, meter in by_meter.items()}


class _Meter:
    """One meter's readings as they are gathered."""

    def __init__(self) -> None:
        self.points: list[RunPoint] = []
        self.maker = PointMaker()
        self._thinner = Thinner()

    def take(self, entry: int, body: Body) -> None:
        try:
            point = self.maker.make(entry, body)
        except (KeyError, TypeError, ValueError, ArithmeticError) as error:
            raise LogbookDamaged(
                f"Entry {entry} holds no reading", "run `zerofirst audit` on the logbook", entry=entry
            ) from error
        if point is not None:
            self.points += self._thinner.keep(point)


def _worth_telling(runs: Iterable[Run]) -> list[Run]:
    """The runs of one selection that say something of their marks; one that only read over range where it is alone."""
    every = list(runs)
    told = [run for run in every if _says_something(run)]
    if told or any(run.in_range for run in every):
        return told
    return [run for run in every if run.timed.latest_s >= MARKS_S[1]][-1:]


def _says_something(run: Run) -> bool:
    reached_s = run.timed.latest_s
    if run.ended == RESTARTED and run.in_range and reached_s >= BROKEN_FROM_S:
        return True
    passed = [run.timed.marks.get(mark_s) for mark_s in MARKS_S if reached_s >= mark_s]
    return run.in_range and any(mark is None or mark.value.relation is Relation.EQUAL for mark in passed)
