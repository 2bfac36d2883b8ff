"""The raw bytes decoded again, held against every entry that must have come of them.

One walk over the entries. Each line of each session has a fresh conversation; what it yields must stand in the log as
an entry, and nothing may stand there that it does not yield. Readings that were keyed have no bytes; whether a reading
counts, and what it was judged, is `rederive_judge`'s concern.

Cannot be derived again, and is not claimed: when a link broke and why (that an entry says so is taken as given, what
must follow from it is checked), the very moment of what a timer brought, and what was half read when a session ended.
"""

from __future__ import annotations

import binascii
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from logger.audit.rederive_follow import Body, FollowedLine
from logger.audit.rederive_lapses import BY_TIME, Lapses, wall_ns
from logger.audit.rederive_lines import Conversation, Drivers, LineReplay
from logger.audit.rederive_report import Differs, Report, how, titled
from logger.audit.rederive_words import LOGBOOKS_OWN
from logger.clock import NS_PER_S
from logger.errors import InputWrong
from logger.happening import Happening, Reconnected
from logger.logbook.entries import KNOWN_KINDS, Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.proof import LINE_LOST_S, Lapse, ProofKey
from logger.quantity import Function
from logger.reading import Origin
from logger.recorder.resume import highest_numbers
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
        self._lines: dict[str, FollowedLine] = {}
        self._opened = 0
        self._before_it: Mapping[tuple[str, str], int] | None = None
        self._highest: dict[tuple[str, str], int] = {}
        self._line_of: dict[str, str] = {}
        self._keyed_n = 0
        self._last: Entry | None = None
        self._storage_failed = False
        self._before: tuple[str, str] | None = None
        self._away_ns = 0
        self._check: tuple[ProofKey, bool] | None = None

    def take(self, entry: Entry, data: Body) -> None:
        """Take one entry in."""
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
        self._last = entry

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
        self._opened, self._before_it, self._keyed_n = entry.number, None, 0
        self._highest.clear()
        self._line_of.clear()
        self._lapses.opened(entry.at, self._last.at if self._last else None)

    def _end_session(self) -> None:
        """What was decoded and stands nowhere is missing; where the disk failed, the end of a session may be."""
        if self._last is not None and not self._storage_failed:
            for line in self._lines.values():
                line.end(self._last.number + 1)
        self._lines.clear()
        self._storage_failed = False

    def _fault(self, _entry: Entry, _data: Body) -> None:
        self._storage_failed = True

    def _resume(self, serial: str, boot: str) -> int | None:
        if self._before_it is None:
            self._before_it = highest_numbers(self._reader, self._opened - 1)
        name = (serial, boot)
        return max((n for n in (self._before_it.get(name), self._highest.get(name)) if n is not None), default=None)

    # -- bytes -------------------------------------------------------------------------------------------------------

    def _raw(self, entry: Entry, data: Body) -> None:
        line = self._line(str(data["line"]), entry)
        replay = line.replay
        line.missing_before(entry.number)
        chunks = self._chunks(entry, data, replay)
        start = replay.offset
        replay.spans.append((entry.number, start, start + sum(len(chunk) for _, chunk in chunks)))
        self._lapses.raw(entry, chunks[0][0])
        replay.feed(chunks)
        line.settle_ready()
        self._report.counted("raw bytes", replay.offset - start)

    def _chunks(self, entry: Entry, data: Body, replay: LineReplay) -> list[tuple[int, bytes]]:
        """The chunks of a raw entry; tells of what does not fit."""
        text = data["data"]
        try:
            held = binascii.a2b_base64(text)
        except (binascii.Error, ValueError):
            held = b""
        if binascii.b2a_base64(held, newline=False).decode() != text:
            self._differs(entry, Differs.BYTES, "its bytes are not written as a recorder writes them")
        if data["offset"] != replay.offset:
            said = f"it begins at byte {data['offset']} of its line, but {replay.offset} bytes stand before it"
            self._differs(entry, Differs.BYTES, said)
            replay.offset = int(data["offset"])
        if data["serial"] != replay.serial:
            said = f"it is put down to meter {harmless(str(data['serial']), 60)}, not {replay.serial}"
            self._differs(entry, Differs.FIELD, said)
        parts = data.get("chunks")
        if parts is None:
            chunks = [(int(data["mono_ns"]), held)]
        else:
            chunks = list(_cut(held, parts))
            whole = sum(length for _, length in parts) == len(held) and parts[0][0] == data["mono_ns"]
            if not whole or len(parts) == 1:
                self._differs(entry, Differs.BYTES, "its bytes do not fit their own lengths")
        last_ns = replay.last_ns
        for now_ns, _ in chunks:
            if now_ns < last_ns:
                self._differs(entry, Differs.BYTES, "it holds bytes that came before those that stand before them")
            last_ns = now_ns
        return chunks

    def _line(self, url: str, entry: Entry) -> FollowedLine:
        line = self._lines.get(url)
        if line is None:
            driver = self._recorded_driver(url, entry.number)
            replay = LineReplay(url, driver, self._conversation(driver, url), lambda serial: self._claims(url, serial))
            line = self._lines[url] = FollowedLine(replay, self._report, self._lapses, self._resume)
        return line

    def _claims(self, url: str, serial: str) -> bool:
        """Whether the meter of that serial number is on that line, and on no other."""
        holder = self._line_of.get(serial)
        if holder is not None and holder != url:
            return False
        for other in [s for s, at in self._line_of.items() if at == url and s != serial]:
            del self._line_of[other]
        self._line_of[serial] = url
        return True

    def _recorded_driver(self, url: str, number: int) -> str:
        """Name and version of the driver on a line of this session, as its meter's first entry says."""
        for entry in self._reader.entries(number, kinds=(Kind.INSTRUMENT, Kind.OPENED)):
            if entry.kind == Kind.OPENED:
                break
            data = entry.data
            if data.get("line") == url:
                return str(data.get("driver", ""))
        return ""

    def _conversation(self, recorded: str, url: str) -> Conversation | None:
        name = recorded.partition(" ")[0]
        where = f"{harmless(url, 80)} (session of entry {self._opened})"
        try:
            conversation = self._drivers.converse(name, url, lambda serial, boot: self._resume(serial, boot))
            here = self._drivers.version_of(name) if name else ""
        except InputWrong as wrong:
            self._report.cannot_check(f"The bytes of {where} are not decoded again. {wrong}")
            return None
        if here != recorded:
            theirs, ours = harmless(recorded, 80), harmless(here, 80)
            self._report.cannot_check(f"{where} was recorded with driver {theirs} and decoded again with {ours}.")
        return conversation

    # -- entries that must follow from the bytes ---------------------------------------------------------------------

    def _instrument(self, entry: Entry, data: Body) -> None:
        url = str(data["line"])
        if url.startswith(KEYED_LINE):
            self._line_of[str(data["serial"])] = url
            return
        if "functions" in data:
            line = self._lines.get(url)
            if line is None:
                self._differs(entry, Differs.EXTRA, "it tells of a meter on a line on which nothing came")
            else:
                line.ready(entry, data)
            return
        known = self._state.meters.get(str(data["serial"]))
        self._before = (known.boot, known.leads) if known else None
        self._follow(entry, data)

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
            name = (data["serial"], data["boot"])
            self._highest[name] = max(self._highest.get(name, 0), data["n"])
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
        likely = list(self._likely(data))
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

    def _likely(self, data: Body) -> Iterator[FollowedLine]:
        """The lines that an entry may have come from."""
        lines = self._lines
        url, raw = data.get("line"), data.get("raw")
        if isinstance(url, str):
            yield from [lines[url]] if url in lines else []
        elif len(lines) == 1:
            yield from lines.values()
        else:
            number = raw[-1] if isinstance(raw, list) and raw else None
            own = [line for line in lines.values() if number is not None and line.holds(number)]
            yield from own or [line for line in lines.values() if line.replay.serial == data.get("serial")]

    def _settled(self, entry: Entry, data: Body) -> None:
        name = (data["serial"], data["boot"])
        span = (data["first"], data["last"])
        given_up = entry.kind == Kind.LOST and span in self._state.open_gaps.get(name, ())  # as a session ends
        own = [line for line in self._lines.values() if (line.replay.serial, line.replay.boot) == name]
        right = next((line for line in own if line.matches(entry, data)), own[0] if own else None)
        if right is not None:
            right.settled(entry, data, given_up)
        elif not given_up and all(line.is_derived for line in self._lines.values()):
            self._differs(entry, Differs.EXTRA, "no meter with these numbers was on a line")

    # -- lapses ------------------------------------------------------------------------------------------------------

    def _lapsed(self, entry: Entry, data: Body) -> None:
        lines = self._lines.values()
        if data["why"] in BY_TIME:
            explained = self._lapses.by_time(entry, data)
        else:
            explained = any(line.tells_of(data) for line in lines) or any(line.may_tell_of(data) for line in lines)
        if not explained:
            why = harmless(str(data["why"]), 60)
            self._differs(entry, Differs.EXTRA, f"nothing ended a proof of meter {data['serial']} here ({why})")
        self._report.counted("lapses")

    def _self_check(self, _entry: Entry, data: Body) -> None:
        key = ProofKey(str(data["serial"]), Function(data["function"]), data["voltage"])
        self._check = key, self._state.proof_of(key).is_whole

    def _after_self_check(self, _entry: Entry, data: Body) -> None:
        assert self._check is not None
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
    Kind.SELF_CHECK: Decoding._self_check,
}
"""What is done before an entry is folded into the state."""

_FOLLOWERS: Final[dict[str, Callable[[Decoding, Entry, Body], None]]] = {
    Kind.INSTRUMENT: Decoding._after_instrument,
    Kind.RECONNECTED: Decoding._after_reconnected,
    Kind.SELF_CHECK: Decoding._after_self_check,
}
"""What is done after it: what it must bring in its turn."""


def _cut(held: bytes, parts: list[list[int]]) -> Iterator[tuple[int, bytes]]:
    """Chunks with their times, out of the bytes of one entry."""
    at = 0
    for mono_ns, length in parts:
        yield int(mono_ns), held[at : at + length]
        at += length
