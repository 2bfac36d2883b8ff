"""Self-checks judged again: the three readings that were marked for one, in a row, under the pack's bands.

In a row: no reading of its function was passed over, no number missing, nothing ended a proof in between.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from logger.audit.rederive_report import Differs, Report, titled
from logger.audit.rederive_words import age_s
from logger.logbook.entries import Entry
from logger.proof import CHECK_WAIT_S, READINGS_PER_CHECK, Bands, Point, ProofKey
from logger.quantity import Displayed, Function
from logger.reading import Flag, Reading
from logger.recorder.bodies import self_check_body
from logger.recorder.checks import outcome_of
from logger.state import JobState

PENDING_AT_MOST: Final = 64
"""Most readings of undecided checks kept: a check that is refused leaves two behind."""

PASSED_OVER_AT_MOST: Final = 10_000
"""Most readings kept that were not marked while a check of their function might have been under way."""

WAIT_SLACK_S: Final = 1.0
"""How much sooner than it should a check may seem to have been refused, seconds."""


@dataclass(frozen=True, slots=True)
class _Marked:
    entry: int
    at: str
    key: ProofKey
    point: str
    reading: Reading


class ChecksAgain:
    """The checks of one session after another."""

    def __init__(self, state: JobState, report: Report) -> None:
        self._state = state
        self._report = report
        self._marked: list[_Marked] = []
        self._passed_over: list[tuple[int, ProofKey]] = []

    def forget(self) -> None:
        """A session began: no check is under way."""
        self._marked.clear()
        self._passed_over.clear()

    def not_in_a_row(self, serial: str) -> None:
        """Something came between: what was marked of this meter before counts for nothing."""
        if self._marked and self._marked[-1].key.serial == serial:
            self.forget()

    def reading(self, entry: Entry, data: Mapping[str, Any], reading: Reading) -> None:
        """A reading that is marked for a check."""
        if Flag.STORED in reading.flags or "repeat" in data["reasons"]:
            self._differs(entry, Differs.FIELD, "a reading that is stored or a repeat cannot be part of a self-check")
        key = ProofKey.of(str(data["serial"]), reading.function, reading.voltage)
        self._marked.append(_Marked(entry.number, entry.at, key, str(data["check"]), reading))
        del self._marked[:-PENDING_AT_MOST]

    def passed_over(self, number: int, serial: str, reading: Reading, repeat: bool) -> None:
        """A reading that is not marked."""
        if not self._marked or repeat or Flag.STORED in reading.flags:
            return
        key = ProofKey.of(serial, reading.function, reading.voltage)
        if key == self._marked[-1].key:
            self._passed_over.append((number, key))
            del self._passed_over[:-PASSED_OVER_AT_MOST]

    def decided(self, entry: Entry, data: Mapping[str, Any], bands: Bands, before: int) -> None:
        """The outcome of a check: it must follow from the last three readings marked for it.

        Args:
            before: the recorder's last entry before this.
        """
        key = ProofKey(str(data["serial"]), Function(data["function"]), data["voltage"])
        point = Point(data["point"])
        own = self._marked[-READINGS_PER_CHECK:]
        entries = [each.entry for each in own]
        if len(own) < READINGS_PER_CHECK or any((each.key, each.point) != (key, point) for each in own):
            self._differs(entry, Differs.EXTRA, f"no {READINGS_PER_CHECK} readings in a row were marked for this check")
        else:
            self._check_order(entry, own, before)
            expect = data.get("expect")
            expected = Displayed(str(expect["value"]), str(expect["unit"])) if expect else None
            readings = [each.reading for each in own]
            meter = self._state.meters.get(key.serial)
            outcome = outcome_of(meter, point, readings, bands, expected)
            derived = self_check_body(key, point, expected, entries, readings, meter, outcome)
            self._report.compare(entry, derived, data, "from its readings")
        self.forget()

    def _check_order(self, entry: Entry, own: list[_Marked], before: int) -> None:
        if own[-1].entry != before:
            self._differs(
                entry, Differs.FIELD, f"the third reading of a check decides it, and entry {own[-1].entry} did not"
            )
        skipped = [number for number, key in self._passed_over if own[0].entry < number < own[-1].entry]
        if skipped:
            said = f"the reading of entry {skipped[0]} came between those of this check and was left out of it"
            self._differs(entry, Differs.FIELD, said)
        left = self._marked[:-READINGS_PER_CHECK]
        refused = -(-len(left) // (READINGS_PER_CHECK - 1))
        if refused > 1:
            waited_s = age_s(left[0].at, own[0].at)
            if 0 <= waited_s < (refused - 1) * CHECK_WAIT_S - WAIT_SLACK_S:
                said = (
                    f"{len(left)} readings from entry {left[0].entry} on were marked for a check of which nothing came"
                )
                self._differs(entry, Differs.MISSING, said)

    def _differs(self, entry: Entry, what: Differs, said: str) -> None:
        self._report.differs(entry.number, what, f"{titled(entry)}: {said}.")
