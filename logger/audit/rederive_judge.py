"""Every reading screened again, every self-check and result judged again, from the plan, the pack and the log itself.

One walk over the entries, raw bytes left out: what a reading says is taken as it stands (that it follows from the bytes
is `rederive_decode`'s concern), whether it counted and what came of it is derived. What an operator said (a selection,
a judgement, a figure keyed) is taken as given, and what must follow from it is checked.

Cannot be derived again, and is not claimed: when a check was begun (its readings are marked, and three in a row decide
it), and, to the moment, how old a reading was when it was taken.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from logger.audit.rederive_checks import ChecksAgain
from logger.audit.rederive_report import Differs, Report, how, titled
from logger.audit.rederive_words import LOGBOOKS_OWN, age_s, mono_between_s, reading_of
from logger.bodies import Selection
from logger.clock import ManualClock
from logger.job.work import unfinished
from logger.logbook.entries import Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.quantity import JUDGED_BY_A_PERSON
from logger.reading import Flag, Origin, Reading
from logger.recorder.book import Book
from logger.recorder.checks import standing_of
from logger.recorder.event import MemoryLog
from logger.recorder.intake import Candidate
from logger.recorder.results import judged_body, result_body
from logger.recorder.steps import TAKE_WITHIN_S
from logger.screening import Situation, screen
from logger.state import JobState
from logger.text import harmless

Body = Mapping[str, Any]

_FOLDED: Final = frozenset(JobState.KINDS)

TAKE_SLACK_S: Final = 1.0
"""How much later than allowed a reading may seem to have been taken, seconds: its entry's time is that of its batch."""

_SCREENED: Final = ("accepted", "reasons", "item", "test", "between", "selection")
"""Fields of a reading that screening and tagging give it."""


@dataclass(slots=True)
class _Line:
    """What the recorder knew of a line, as far as entries tell it.

    Attributes:
        last_n: highest number of a reading so far.
        told_n: highest number that may have come: events make no entry, but the gap before one does.
        selections: the selections that may have stood when the highest number came, each with the first number that
            came under it.
    """

    serial: str = ""
    boots: int = 0
    last_n: int = 0
    told_n: int = 0
    selections: tuple[tuple[int | None, int], ...] = ((None, 0),)


class Judging:
    """The walk. Give it every entry but raw ones, in order.

    Args:
        reader: the logbook, to look at a raw entry where it matters.
        report: where differences go.
    """

    def __init__(self, reader: LogbookReader, report: Report) -> None:
        self._reader = reader
        self._report = report
        self._state = JobState()
        self._book = Book(MemoryLog(), self._state, ManualClock())
        self._checks = ChecksAgain(self._state, report)
        self._lines: dict[str, _Line] = {}
        self._candidate: Candidate | None = None
        self._candidate_at = ""
        self._taken = 0
        self._before = 0

    def take(self, entry: Entry, data: Body) -> None:
        """Take one entry in."""
        handler = _HANDLERS.get(entry.kind)
        if handler is not None:
            handler(self, entry, data)
        if entry.kind not in LOGBOOKS_OWN:
            self._before = entry.number
        if entry.kind in _FOLDED:
            self._state.apply(entry.number, entry.at, entry.kind, data, entry.number)

    def finish(self) -> None:
        """The logbook is at its end."""

    # -- what stands around a reading --------------------------------------------------------------------------------

    def _opened(self, _entry: Entry, _data: Body) -> None:
        self._lines.clear()
        self._candidate = None
        self._checks.forget()

    def _instrument(self, _entry: Entry, data: Body) -> None:
        line = self._lines.setdefault(str(data["line"]), _Line())
        line.serial = str(data["serial"])
        if "functions" in data:
            return
        known = self._state.meters.get(line.serial)
        if known is None or known.boot != data["boot"]:
            line.last_n = line.told_n = 0
            line.selections = tuple((each, 0) for each, _ in line.selections)
        line.boots += 1

    def _lapsed(self, _entry: Entry, data: Body) -> None:
        self._checks.not_in_a_row(str(data["serial"]))

    def _gap(self, _entry: Entry, data: Body) -> None:
        self._checks.not_in_a_row(str(data["serial"]))
        for line in self._lines.values():
            if line.serial == data["serial"]:
                line.told_n = max(line.told_n, int(data["last"]) + 1)

    def _selection(self, entry: Entry, data: Body) -> None:
        self._candidate = None
        if self._book.plan.item(str(data["item"])) is None:
            self._differs(entry, Differs.FIELD, f"the plan has no item {harmless(str(data['item']), 60)}")

    # -- readings ----------------------------------------------------------------------------------------------------

    def _reading(self, entry: Entry, data: Body) -> None:
        reading, serial = reading_of(data), str(data["serial"])
        line = self._line_of(data)
        possible = self._selections_for(line, serial, reading)
        checking = data.get("check")
        said = ""
        for selection in possible:
            derived, candidate = self._screened(entry.number, data, reading, None if checking else selection, line)
            stands = {name: data[name] for name in _SCREENED if name in data}
            said = how(derived, stands)
            if not said:
                break
        if said:
            self._differs(entry, Differs.FIELD, f"as the proofs and the selection stood, {said}")
        self._note(line, reading)
        if checking:
            self._checks.reading(entry, data, reading)
        else:
            self._checks.passed_over(entry.number, serial, reading, "repeat" in data["reasons"])
            self._offer(candidate, entry.at)
        self._report.counted("screened")

    def _screened(
        self, number: int, data: Body, reading: Reading, selection: Selection | None, line: _Line
    ) -> tuple[Body, Candidate | None]:
        """What screening gives a reading under a selection; and what `take` would take, where it is accepted."""
        serial = str(data["serial"])
        meter = self._state.meters.get(serial)
        ranges = meter.ranges if meter else ()
        standing, carrier = standing_of(self._state, serial, reading)
        situation = Situation(
            repeat="repeat" in data["reasons"],
            meter_fault=bool(meter and meter.fault),
            battery_low=bool(meter and meter.battery_low),
            standing=standing,
            wanted=selection.wanted if selection else None,
            ranges=ranges,
        )
        reasons = screen(reading, situation)
        derived: dict[str, Any] = {
            "accepted": not reasons,
            "reasons": list(reasons),
            "item": selection.item if selection else None,
            "test": selection.test if selection else None,
            "between": selection.between if selection else None,
        }
        if selection:
            derived["selection"] = selection.entry
        if reasons or carrier is None:
            return derived, None
        return derived, Candidate(number, serial, "", reading, ranges, 0, carrier, (line.boots, reading.n))

    def _line_of(self, data: Body) -> _Line:
        """The line that a reading came from; where a meter hangs on two, its raw bytes say which."""
        serial = data["serial"]
        own = [line for line in self._lines.values() if line.serial == serial]
        if len(own) == 1:
            return own[0]
        if data["origin"] == Origin.KEYED:
            url = self._state.meters[str(serial)].line
        else:
            url = str(self._reader.entry(int(data["raw"][-1])).data["line"])
        return self._lines.setdefault(url, _Line())

    def _selections_for(self, line: _Line, serial: str, reading: Reading) -> tuple[Selection | None, ...]:
        """The selection under which a reading was made (see `Intake`); two, where the entries leave it open."""
        selection = self._state.selection
        if reading.origin is Origin.KEYED:
            return (selection,)
        if selection is None or (selection.meter is not None and selection.meter != serial):
            return (None,)
        late = Flag.STORED in reading.flags or reading.n < line.last_n
        if not late and reading.n >= line.told_n:
            return (selection,)
        if not late:
            return (selection, None)
        holds = {each == selection.entry and reading.n > since for each, since in line.selections}
        return tuple(selection if held else None for held in sorted(holds, reverse=True))

    def _note(self, line: _Line, reading: Reading) -> None:
        if reading.origin is Origin.KEYED or reading.n <= line.last_n:
            return
        now = self._state.selection.entry if self._state.selection else None
        certain = reading.n > line.told_n
        moved = tuple((now, since if each == now else reading.n) for each, since in line.selections)
        line.selections = tuple(dict.fromkeys(moved if certain else (*moved, *line.selections)))
        line.last_n = reading.n
        line.told_n = max(line.told_n, reading.n)

    def _offer(self, candidate: Candidate | None, at: str) -> None:
        held = self._candidate
        if candidate is None:
            return
        if held is None or held.serial != candidate.serial or candidate.order >= held.order:
            self._candidate, self._candidate_at = candidate, at

    # -- what came of them -------------------------------------------------------------------------------------------

    def _self_check(self, entry: Entry, data: Body) -> None:
        self._checks.decided(entry, data, self._book.pack.bands, self._before)
        self._report.counted("self-checks")

    def _result(self, entry: Entry, data: Body) -> None:
        selection = self._state.selection
        self._report.counted("results")
        if selection is None:
            self._differs(entry, Differs.EXTRA, "nothing was selected")
        elif data["reading"] is None:
            self._judged(entry, data, selection)
        else:
            self._taken_result(entry, data, selection)

    def _judged(self, entry: Entry, data: Body, selection: Selection) -> None:
        if selection.test not in JUDGED_BY_A_PERSON:
            self._differs(entry, Differs.EXTRA, f"{selection.test} is not for a person to judge")
        derived = judged_body(self._book, selection, data["value"] == "yes", str(data.get("why", "")))
        self._report.compare(entry, derived, data, "from what was said")

    def _taken_result(self, entry: Entry, data: Body, selection: Selection) -> None:
        candidate = self._candidate
        if candidate is None or candidate.entry != data["reading"]:
            newest = "none was" if candidate is None else f"that of entry {candidate.entry} was the newest"
            said = f"the reading of entry {data['reading']} could not be taken: of the accepted ones {newest}"
            self._differs(entry, Differs.FIELD, said)
            return
        if candidate.entry == self._taken:
            self._differs(entry, Differs.EXTRA, f"the reading of entry {candidate.entry} was taken before")
        self._taken = candidate.entry
        if age_s(self._candidate_at, entry.at) > TAKE_WITHIN_S + TAKE_SLACK_S:
            self._check_age(entry, candidate)
        self._report.compare(
            entry, result_body(self._book, selection, candidate), data, "from its reading and the rules"
        )

    def _check_age(self, entry: Entry, candidate: Candidate) -> None:
        """By the wall clock the reading was too old; whether the host's monotonic clock agrees."""
        waited_s = mono_between_s(self._reader, candidate.entry, entry.number)
        if waited_s is not None and waited_s > TAKE_WITHIN_S + TAKE_SLACK_S:
            said = f"the reading of entry {candidate.entry} was {waited_s:.0f} s old when it was taken"
            self._differs(entry, Differs.FIELD, said)

    def _closed(self, entry: Entry, data: Body) -> None:
        left = unfinished(self._state)
        if left:
            named = harmless(" ".join(str(left[0].get(name) or "") for name in ("item", "test", "what", "why")), 160)
            self._differs(entry, Differs.EXTRA, f"the job was not finished, {len(left)} things were open ({named})")
        derived = {"results": len(self._state.current)}
        self._report.compare(entry, derived, {"results": data.get("results")}, "from the results")

    def _differs(self, entry: Entry, what: Differs, said: str) -> None:
        self._report.differs(entry.number, what, f"{titled(entry)}: {said}.")


_HANDLERS: Final[dict[str, Callable[[Judging, Entry, Body], None]]] = {
    Kind.OPENED: Judging._opened,
    Kind.INSTRUMENT: Judging._instrument,
    Kind.GAP: Judging._gap,
    Kind.LAPSED: Judging._lapsed,
    Kind.SELECTION: Judging._selection,
    Kind.READING: Judging._reading,
    Kind.SELF_CHECK: Judging._self_check,
    Kind.RESULT: Judging._result,
    Kind.CLOSED: Judging._closed,
}
