"""The raw bytes decoded again, held against every entry that must have come of them.

One walk over the entries. Each line of each session has a fresh conversation; what it yields must stand in the log as
an entry, and nothing may stand there that it does not yield. Readings that were keyed have no bytes; whether a reading
counts, and what it was judged, is `rederive_judge`'s concern.

Cannot be derived again, and is not claimed: when a link broke and why (that an entry says so is taken as given, what
must follow from it is checked), the very moment of what a timer brought, and what was half read when a session ended.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from logger.audit.rederive_bodies import Body
from logger.audit.rederive_chunks import chunks_of
from logger.audit.rederive_lapses import BY_TIME, Lapses, wall_ns
from logger.audit.rederive_lines import Drivers
from logger.audit.rederive_report import Differs, Report, how, titled
from logger.audit.rederive_session import Session
from logger.audit.rederive_words import LOGBOOKS_OWN
from logger.clock import NS_PER_S
from logger.happening import Happening, Reconnected
from logger.logbook.entries import KNOWN_KINDS, Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.proof import LINE_LOST_S, Lapse, ProofKey
from logger.quantity import Function
from logger.reading import Origin
from logger.recorder.remark import LastRecorded, is_remark
from logger.recorder.steps import KEYED_LINE
from logger.state import JobState
from logger.text import harmless

_FOLDED: Final = frozenset(JobState.KINDS)


class Decoding:
    """The walk. Give it every entry, in order, then `finish`.

    Args:
        reader: the logbook, for what stands further on (which driver a line has) or back (where counts stood).
        drivers: the drivers at hand.
        report: where differences go.
    """

    def __init__(self, reader: LogbookReader, drivers: Drivers, report: Report) -> None:
        self._reader = reader
        self._drivers = drivers
        self._report = report
        self._state = JobState()
        self._lapses = Lapses(self._state, report)
        self._session = self._new_session(0)
        self._keyed_n = 0
        self._last: Entry | None = None
        self._recorded = LastRecorded()
        self._storage_failed = False
        self._before: tuple[str, str] | None = None
        self._away_ns = 0
        self._check: tuple[ProofKey, bool] | None = None
        self._checking: set[str] = set()

    def take(self, entry: Entry, data: Body) -> None:
        """Take one entry in."""
        if entry.kind == Kind.NOTE and is_remark(entry.kind, data):
            self._seen(entry, data)
            return  # whoever wrote it looked at no meter, and at no proof
        due = self._lapses.pending and entry.kind not in LOGBOOKS_OWN and self._lapses.due(entry, data)
        if not due:
            if entry.kind != Kind.LAPSED:
                self._lapses.look_at_day(entry)
            handler = _HANDLERS.get(entry.kind)
            if handler is not None:
                handler(self, entry, data)
            elif entry.kind not in KNOWN_KINDS:
                kind = harmless(entry.kind, 40)
                self._report.cannot_check(f"Entries of kind {kind} are not known to this version: update it.")
        if entry.kind in _FOLDED:
            self._fold(entry, data)
        if not due:
            follower = _FOLLOWERS.get(entry.kind)
            if follower is not None:
                follower(self, entry, data)
        self._seen(entry, data)

    def _seen(self, entry: Entry, data: Body) -> None:
        self._last = entry
        self._recorded.take(entry, data)

    def finish(self) -> None:
        """The logbook is at its end."""
        self._end_session()

    def _fold(self, entry: Entry, data: Body) -> None:
        proofs_change = entry.kind in (Kind.SELF_CHECK, Kind.LAPSED)
        keyed = proofs_change and self._is_keyed(str(data["serial"]))
        now_ns = wall_ns(entry.at) if keyed else self._lapses.now_ns
        self._state.apply(entry.number, entry.at, entry.kind, data, now_ns)
        if proofs_change:
            self._lapses.changed()

    def _is_keyed(self, serial: str) -> bool:
        meter = self._state.meters.get(serial)
        return meter is not None and meter.line.startswith(KEYED_LINE)

    # -- sessions ----------------------------------------------------------------------------------------------------

    def _open(self, entry: Entry, _data: Body) -> None:
        self._end_session()
        self._checking.clear()
        self._keyed_n = 0
        self._session = self._new_session(entry.number)
        self._lapses.opened(entry.at, self._recorded.at)

    def _end_session(self) -> None:
        """What was decoded and stands nowhere is missing; where the disk failed, the end of a session may be."""
        if self._last is not None and not self._storage_failed:
            for line in self._session.lines.values():
                line.end(self._last.number + 1)
        self._session.lines.clear()
        self._storage_failed = False

    def _new_session(self, opened: int) -> Session:
        return Session(opened, self._reader, self._drivers, self._report, self._lapses)

    def _fault(self, _entry: Entry, _data: Body) -> None:
        self._storage_failed = True

    # -- bytes -------------------------------------------------------------------------------------------------------

    def _raw(self, entry: Entry, data: Body) -> None:
        line = self._session.line(str(data["line"]), entry.number)
        replay = line.replay
        line.missing_before(entry.number)
        chunks = chunks_of(entry, data, replay, self._report)
        start = replay.offset
        replay.spans.append((entry.number, start, start + sum(len(chunk) for _, chunk in chunks)))
        self._lapses.raw(entry, chunks[0][0])
        replay.feed(chunks)
        line.timed.settle_ready()
        self._report.counted("raw bytes", replay.offset - start)

    # -- entries that must follow from the bytes ---------------------------------------------------------------------

    def _instrument(self, entry: Entry, data: Body) -> None:
        url = str(data["line"])
        if url.startswith(KEYED_LINE):
            self._session.keyed(str(data["serial"]), url)
            return
        if "functions" in data:
            line = self._session.lines.get(url)
            if line is None:
                self._differs(entry, Differs.EXTRA, "it tells of a meter on a line on which nothing came")
            elif line.is_derived:
                line.timed.ready(entry, data)
            return
        known = self._state.meters.get(str(data["serial"]))
        self._before = (known.boot, known.leads) if known else None
        self._follow(entry, data)
        line = self._session.lines.get(url)
        if line is not None and not line.is_derived:
            line.replay.serial, line.replay.boot = str(data["serial"]), str(data["boot"])

    def _after_instrument(self, _entry: Entry, data: Body) -> None:
        if "functions" in data or str(data["line"]).startswith(KEYED_LINE) or self._before is None:
            return
        boot, leads = self._before
        if boot != data["boot"]:
            self._lapses.must_follow(str(data["serial"]), Lapse.NEW_BOOT)
        elif leads and leads != data["leads"]:
            self._lapses.must_follow(str(data["serial"]), Lapse.LEADS_CHANGED)

    def _reading(self, entry: Entry, data: Body) -> None:
        if data["origin"] == Origin.KEYED:
            self._keyed(entry, data)
        else:
            self._follow(entry, data)
            self._session.hold(data["serial"], data["boot"], data["n"])
            self._state.number_came(data["serial"], data["boot"], data["n"])
        if data.get("check"):
            self._checking.add(str(data["serial"]))
        self._report.counted("readings")
        self._report.counted("accepted" if data["accepted"] else "turned away")

    def _keyed(self, entry: Entry, data: Body) -> None:
        """No bytes stand behind it: only its count is given."""
        self._keyed_n += 1
        fields = {"n": self._keyed_n, "raw": [], "bytes": [0, 0]}
        said = how(fields, {name: data.get(name) for name in fields})
        if said:
            self._differs(entry, Differs.FIELD, f"it was keyed, and {said}")

    def _reconnected(self, entry: Entry, data: Body) -> None:
        found = self._follow(entry, data)
        self._away_ns = found.away_ns if isinstance(found, Reconnected) else 0

    def _after_reconnected(self, _entry: Entry, data: Body) -> None:
        if self._away_ns > LINE_LOST_S * NS_PER_S and data["serial"] is not None:
            self._lapses.must_follow(str(data["serial"]), Lapse.LINE_LOST)

    def _damaged(self, entry: Entry, data: Body) -> None:
        self._follow(entry, data)
        self._report.counted("damaged")

    def _from_line(self, entry: Entry, data: Body) -> None:
        self._follow(entry, data)

    def _follow(self, entry: Entry, data: Body) -> Happening | None:
        """The entry must be what a line yields next: what that was."""
        likely = list(self._session.likely(data))
        if any(not line.is_derived for line in likely):
            return None
        for line in likely:
            if line.matches(entry, data):
                return line.take(entry, data)
        for line in likely:
            if line.explains(entry, data):
                return line.take(entry, data)
        for line in likely:
            if (found := line.resync(entry, data)) is not None:
                return found
        self._differs(entry, Differs.EXTRA, "it does not follow from any raw bytes")
        return None

    def _settled(self, entry: Entry, data: Body) -> None:
        name = (data["serial"], data["boot"])
        given_up = entry.kind == Kind.LOST and any(  # as a session ends
            low <= data["first"] and data["last"] <= high for low, high in self._state.open_gaps.get(name, ())
        )
        own = [line for line in self._session.lines.values() if (line.replay.serial, line.replay.boot) == name]
        right = next((line for line in own if line.matches(entry, data)), own[0] if own else None)
        if right is not None:
            right.settled(entry, data, given_up)
        elif not given_up and all(line.is_derived for line in self._session.lines.values()):
            self._differs(entry, Differs.EXTRA, "no meter with these numbers was on a line")

    # -- lapses ------------------------------------------------------------------------------------------------------

    def _lapsed(self, entry: Entry, data: Body) -> None:
        lines = self._session.lines.values()
        if data["why"] in BY_TIME:
            explained = self._lapses.by_time(entry, data)
        else:
            explained = any(line.tells_of(data) for line in lines) or any(line.may_tell_of(data) for line in lines)
            explained = explained or self._ends_a_check(data)
        if not explained:
            why = harmless(str(data["why"]), 60)
            self._differs(entry, Differs.EXTRA, f"nothing ended a proof of meter {data['serial']} here ({why})")
        self._report.counted("lapses")

    def _ends_a_check(self, data: Body) -> bool:
        """Whether it ends no proof, but may have come between the readings of a check."""
        return not data["proofs"] and data["serial"] in self._checking

    def _result(self, entry: Entry, data: Body) -> None:
        number = data.get("reading")
        if isinstance(number, int) and 0 < number < entry.number:
            reading = self._reader.entry(number)
            if reading.kind == Kind.READING:
                self._lapses.result(entry.number, reading.data)

    def _self_check(self, _entry: Entry, data: Body) -> None:
        key = ProofKey(str(data["serial"]), Function(data["function"]), data["voltage"])
        self._check = key, self._state.proof_of(key).is_whole

    def _after_self_check(self, _entry: Entry, data: Body) -> None:
        assert self._check is not None
        self._checking.clear()
        key, was_whole = self._check
        if data["outcome"] != "pass" and was_whole:
            self._lapses.must_follow(key.serial, Lapse.FAILED_CHECK, [key])

    def _differs(self, entry: Entry, what: Differs, said: str) -> None:
        self._report.differs(entry.number, what, f"{titled(entry)}: {said}.")


_HANDLERS: Final[dict[str, Callable[[Decoding, Entry, Body], None]]] = {
    Kind.OPENED: Decoding._open,
    Kind.STORAGE_FAULT: Decoding._fault,
    Kind.RAW: Decoding._raw,
    Kind.INSTRUMENT: Decoding._instrument,
    Kind.READING: Decoding._reading,
    Kind.DAMAGED: Decoding._damaged,
    Kind.GAP: Decoding._from_line,
    Kind.DISCONNECTED: Decoding._from_line,
    Kind.RECONNECTED: Decoding._reconnected,
    Kind.FILLED: Decoding._settled,
    Kind.LOST: Decoding._settled,
    Kind.LAPSED: Decoding._lapsed,
    Kind.RESULT: Decoding._result,
    Kind.SELF_CHECK: Decoding._self_check,
}
"""What is done before an entry is folded into the state."""

_FOLLOWERS: Final[dict[str, Callable[[Decoding, Entry, Body], None]]] = {
    Kind.INSTRUMENT: Decoding._after_instrument,
    Kind.RECONNECTED: Decoding._after_reconnected,
    Kind.SELF_CHECK: Decoding._after_self_check,
}
"""What is done after it: what it must bring in its turn."""
