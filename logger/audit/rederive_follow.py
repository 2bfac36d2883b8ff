"""What one line yields, held against the entries that must have come of it, in order and to the letter.

`FollowedLine` knows one line of one session: what its bytes yielded and which of it stands. What a timer brings (a
meter that is ready, numbers filled or lost) is compared without its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from logger.audit.rederive_lapses import Lapses
from logger.audit.rederive_lines import LineReplay, Resume
from logger.audit.rederive_numbers import Numbers
from logger.audit.rederive_report import Differs, Report, how, titled
from logger.clock import NS_PER_S
from logger.happening import (
    Damaged,
    Disconnected,
    Filled,
    Gap,
    Happening,
    Identified,
    Lost,
    Read,
    Ready,
    Reconnected,
    Told,
)
from logger.logbook.entries import Entry, Kind
from logger.reading import Origin
from logger.recorder import bodies
from logger.recorder.intake import REPLAY_LINE
from logger.text import harmless

Body = Mapping[str, Any]

JUDGED_FIELDS: Final = ("accepted", "reasons", "item", "test", "between", "selection", "check")
"""Fields of a reading that do not come from the meter."""

_ALWAYS: Final = 16
"""How many fields every reading has."""

TELLS_WITHIN_NS: Final = 30 * NS_PER_S
"""How long after it was due by the driver's timers something may be told, nanoseconds: three asks of a second each, and
a machine that is slow."""

FAILED_TRIES_AT_MOST: Final = 100
"""How often an explanation is looked for in vain on one line: an altered log may hold nothing but what needs one."""

KIND_OF: Final[dict[type, Kind]] = {
    Identified: Kind.INSTRUMENT,
    Read: Kind.READING,
    Damaged: Kind.DAMAGED,
    Gap: Kind.GAP,
    Filled: Kind.FILLED,
    Lost: Kind.LOST,
    Disconnected: Kind.DISCONNECTED,
    Reconnected: Kind.RECONNECTED,
    Told: Kind.LAPSED,
}
"""Which entry a happening makes; what a meter tells makes one only where it ends a proof."""


class FollowedLine:
    """One line of one session. `replay.conversation` is None where its driver is not here: nothing is compared then."""

    def __init__(self, replay: LineReplay, report: Report, lapses: Lapses, resume: Resume) -> None:
        self.replay = replay
        self._report = report
        self._lapses = lapses
        self._resume = resume
        self._numbers = Numbers(None)
        self._awaited: list[tuple[Entry, Body]] = []
        self._failed_tries = 0

    @property
    def name(self) -> str:
        """The line, for a person."""
        return harmless(self.replay.line, 80)

    @property
    def is_derived(self) -> bool:
        """Whether its bytes are decoded at all."""
        return self.replay.conversation is not None

    def holds(self, number: int) -> bool:
        """Whether a raw entry is one of its newest."""
        return any(span[0] == number for span in reversed(self.replay.spans))

    # -- what comes in its order -------------------------------------------------------------------------------------

    def matches(self, entry: Entry, data: Body) -> bool:
        """Whether the entry is what the line yields next, to the letter."""
        self._drop_silent()
        strict = self.replay.waiting.strict
        if not strict or KIND_OF[type(strict[0])] != entry.kind:
            return False
        head = strict[0]
        if type(head) is Read and self._is_plainly(head, data):
            return True
        return self._derived(head, data) == data

    def explains(self, entry: Entry, data: Body) -> bool:
        """Whether it is what the line yields once time has gone on, or its link broke."""
        if self._failed_tries >= FAILED_TRIES_AT_MOST:
            return False
        explained = self.replay.explain(lambda: self.matches(entry, data))
        self._failed_tries += not explained
        return explained

    def take(self, entry: Entry, data: Body) -> Happening:
        """The next that the line yielded stands as this entry."""
        found = self.replay.waiting.strict.popleft()
        if isinstance(found, Read):
            self._check_repeat(found, entry, data)
        elif isinstance(found, Gap):
            self._numbers.gap(found.low, found.high)
        elif isinstance(found, Filled | Lost):
            self._settle(type(found), found.low, found.high)
        elif isinstance(found, Identified):
            self._identified(found, entry.number)
        return found

    def resync(self, entry: Entry, data: Body) -> Happening | None:
        """The entry does not follow. If it is about something that waits, tell how it differs and find the step again;
        None if it is about nothing."""
        strict = self.replay.waiting.strict
        for skipped, head in enumerate(strict):
            if KIND_OF[type(head)] != entry.kind or isinstance(head, Told) or not _is_about(head, data):
                continue
            said = how(self._derived(head, data), data)
            if said:
                self._tell(entry.number, Differs.FIELD, f"{titled(entry)} is not what the raw bytes say: {said}.")
            if skipped:
                self._tell_missing(entry.number, list(strict)[:skipped])
            for _ in range(skipped):
                strict.popleft()
            return self.take(entry, data)
        return None

    def missing_before(self, number: int) -> None:
        """All that the line yielded must stand before entry `number`."""
        self._drop_silent()
        strict = self.replay.waiting.strict
        if strict:
            self._tell_missing(number, list(strict))
            strict.clear()
        if not self._numbers.missing and not self.replay.timed:
            self.replay.asking = False

    def _tell_missing(self, number: int, missing: list[Happening]) -> None:
        reads = [str(each.reading.n) for each in missing if isinstance(each, Read)]
        told = [harmless(each.event.name, 40) for each in missing if isinstance(each, Told)]
        what = f"readings number {', '.join(reads[:5])}" if reads else KIND_OF[type(missing[0])].value
        if told:
            what = f"that the meter told of {told[0]}, which ends its proofs"
        count = "an entry" if len(missing) == 1 else f"{len(missing)} entries"
        verb = "follows" if len(missing) == 1 else "follow"
        self._tell(
            number,
            Differs.MISSING,
            f"Before this, {count} that {verb} from the bytes of {self.name} should stand: {what}.",
        )

    def _derived(self, head: Happening, data: Body) -> Body:
        """The body that a happening makes; of a reading, what does not come from the meter is as it stands."""
        replay = self.replay
        if isinstance(head, Read):
            return self._derived_reading(head, data)
        if isinstance(head, Identified):
            return bodies.instrument_body(head.identity, replay.line, replay.driver)
        if isinstance(head, Damaged):
            return bodies.damaged_body(head, replay.serial, self._source(head.first, head.last))
        if isinstance(head, Disconnected):
            why = str(data.get("why")) if replay.broken else head.why
            return bodies.disconnected_body(replay.line, replay.serial, why)
        if isinstance(head, Reconnected):
            return bodies.reconnected_body(replay.line, replay.serial, head.away_ns)
        assert isinstance(head, Gap | Filled | Lost)
        return bodies.numbers_body(head)

    def _is_plainly(self, head: Read, data: Body) -> bool:
        """Whether a reading agrees, field by field: the quick way, sure only of a yes."""
        reading, value = head.reading, head.reading.value
        optional = (
            (reading.range_mark or None, data.get("range")),
            (reading.output_voltage or None, data.get("output_voltage")),
            (reading.meter_ms or None, data.get("meter_ms")),
            (reading.temperature or None, data.get("temperature")),
        )
        if reading.multiple is not None or reading.phase is not None or reading.rated is not None:
            return False
        known = _ALWAYS + ("selection" in data) + ("check" in data) + bool(reading.flags)
        for said, stands in optional:
            if said != stands:
                return False
            known += said is not None
        return (
            len(data) == known
            and data["n"] == reading.n
            and data["value"] == value.text
            and data["unit"] == value.unit
            and data["relation"] == value.relation
            and data["function"] == reading.function
            and data["voltage"] == reading.voltage
            and data["serial"] == head.serial
            and data["boot"] == head.boot
            and data["origin"] == reading.origin
            and data["bytes"] == [head.first, head.last]
            and data.get("flags", []) == sorted(reading.flags)
            and data["raw"] == self._source(head.first, head.last)
            and not self.replay.line.startswith(REPLAY_LINE)
            and all(name in data for name in JUDGED_FIELDS[:5])
        )

    def _derived_reading(self, head: Read, data: Body) -> Body:
        if self.replay.line.startswith(REPLAY_LINE):
            head = replace(head, reading=replace(head.reading, origin=Origin.REPLAY))
        body = bodies.reading_body(head, (), None, self._source(head.first, head.last))
        for name in JUDGED_FIELDS:
            if name in data:
                body[name] = data[name]
            else:
                body.pop(name, None)
        return body

    def _source(self, first: int, last: int) -> list[int]:
        return bodies.source(reversed(self.replay.spans), first, last)

    def _identified(self, found: Identified, number: int) -> None:
        replay, serial, boot = self.replay, found.identity.serial, found.identity.boot
        if (replay.serial, replay.boot) != (serial, boot):
            highest = self._resume(serial, boot)
            if highest is None and replay.serial == serial:
                highest = 0
            self._check_untold(number)
            self._numbers = Numbers(highest)
        replay.serial, replay.boot = serial, boot

    def _check_repeat(self, found: Read, entry: Entry, data: Body) -> None:
        told = "repeat" in data["reasons"]
        again = self._numbers.came(found.reading.n)
        if told not in (again, found.repeat):
            said = "held already" if found.repeat else "held for the first time"
            what = "a repeat" if told else "new"
            sentence = f"{titled(entry)} is told as {what}: number {found.reading.n} was {said}."
            self._tell(entry.number, Differs.FIELD, sentence)

    # -- what a meter tells ------------------------------------------------------------------------------------------

    def tells_of(self, data: Body) -> bool:
        """Whether a lapse is what the meter told of next."""
        self._drop_silent(late_too=False)
        strict = self.replay.waiting.strict
        head = strict[0] if strict else None
        if isinstance(head, Told) and self._lapses.by_meter(head) == data:
            strict.popleft()
            self._numbers.came(head.event.n)
            return True
        return False

    def may_tell_of(self, data: Body) -> bool:
        """Whether a lapse could come of what cannot be derived for certain: an event that came late."""
        return self.replay.serial == data["serial"] and (self.replay.gave_up or not self.is_derived)

    def _drop_silent(self, late_too: bool = True) -> None:
        """What the meter told without effect makes no entry; nor, perhaps, what came after it was given up."""
        strict = self.replay.waiting.strict
        while strict and isinstance(head := strict[0], Told):
            excused = late_too and self.replay.gave_up and self._numbers.is_late(head.event.n)
            if self._lapses.by_meter(head) is not None and not excused:
                return
            self._numbers.came(head.event.n)
            strict.popleft()

    # -- what timers bring -------------------------------------------------------------------------------------------

    def ready(self, entry: Entry, data: Body) -> None:
        """A meter is ready: so it must be by its bytes, now or as soon as more of them are decoded."""
        if self.is_derived:
            self._awaited.append((entry, data))
            if self._ready_place() is None:
                self.replay.explain(lambda: self._ready_place() is not None)
            self.settle_ready()

    def settle_ready(self) -> None:
        """Match what is awaited with what was derived so far."""
        while (place := self._ready_place()) is not None:
            del self._awaited[0], self.replay.waiting.ready[: place + 1]

    def _ready_place(self) -> int | None:
        """Which of what was derived is the first that is awaited."""
        if not self._awaited:
            return None
        bodies_of = (self._ready_body(each) for _, each in self.replay.waiting.ready)
        return next((place for place, body in enumerate(bodies_of) if body == self._awaited[0][1]), None)

    def _ready_body(self, ready: Ready) -> Body:
        return bodies.instrument_body(ready.identity, self.replay.line, self.replay.driver, ready.ranges)

    def settled(self, entry: Entry, data: Body, given_up: bool) -> None:
        """Numbers told as filled or lost: so they must be, whenever the driver's timers said so. `given_up`: it is a
        whole gap, as a session tells it that ends with gaps."""
        if not self.is_derived:
            return
        if self.matches(entry, data):
            self.take(entry, data)
            return
        strict = self.replay.waiting.strict
        if strict and KIND_OF[type(strict[0])] == entry.kind and self.resync(entry, data) is not None:
            return
        low, high = int(data["first"]), int(data["last"])
        kind: type[Filled | Lost] = Filled if entry.kind == Kind.FILLED else Lost
        derived = self._untold(kind, low, high) or (self.replay.asking and self._comes_with_time(kind, low, high))
        wrong = self._settle(kind, low, high)
        if derived or given_up:
            return
        if not self.replay.asking:
            self._tell(entry.number, Differs.EXTRA, f"{titled(entry)}: it does not follow from any raw bytes.")
        elif wrong:
            self._tell(entry.number, Differs.FIELD, f"{titled(entry)}: {wrong}.")

    def _untold(self, kind: type[Filled | Lost], low: int, high: int) -> bool:
        """Whether that was derived, and not told before; it is now."""
        untold = self.replay.waiting.untold
        for place, (_, happening) in enumerate(untold):
            if type(happening) is kind and (happening.low, happening.high) == (low, high):
                del untold[place]
                return True
        return False

    def _comes_with_time(self, kind: type[Filled | Lost], low: int, high: int) -> bool:
        if self._failed_tries >= FAILED_TRIES_AT_MOST:
            return False
        found = self.replay.explain(lambda: self._untold(kind, low, high))
        self._failed_tries += not found
        return found

    def _settle(self, kind: type[Filled | Lost], low: int, high: int) -> str:
        """Note it; what is wrong with it."""
        numbers = f"numbers {low} to {high} are told as"
        twice = self._numbers.settled.overlap(low, high)
        if kind is Lost:
            self.replay.gave_up = True
            wrong = "" if self._numbers.lost(low, high) else f"{numbers} lost, but not all of them were missing"
        else:
            missing = self._numbers.filled(low, high)
            wrong = f"{numbers} filled, but {missing[0]} to {missing[1]} never came" if missing else ""
        return f"{numbers} filled or lost, and were told so before" if twice else wrong

    def _check_untold(self, number: int) -> None:
        for due_ns, happening in self.replay.waiting.untold:
            told = self._numbers.settled.covers(happening.low, happening.high)
            if not told and self.replay.last_ns - due_ns > TELLS_WITHIN_NS:
                what = "filled" if isinstance(happening, Filled) else "lost"
                numbers = f"{happening.low} to {happening.high} of meter {harmless(happening.serial, 60)}"
                self._tell(number, Differs.MISSING, f"Nothing tells that numbers {numbers} were {what}.")
        self.replay.waiting.untold.clear()

    def end(self, number: int) -> None:
        """The session is over; `number` is that of the next entry."""
        self.missing_before(number)
        ready = self.replay.waiting.ready
        for entry, data in self._awaited:
            said = (how(self._ready_body(ready[-1][1]), data) if ready else "") or "the meter did not say so"
            self._tell(entry.number, Differs.FIELD, f"{titled(entry)} is not what the raw bytes say: {said}.")
        if ready and not self._awaited and self.replay.last_ns - ready[-1][0] > TELLS_WITHIN_NS:
            self._tell(number, Differs.MISSING, f"What the meter on {self.name} can do does not stand in the log.")
        self._check_untold(number)

    def _tell(self, number: int, what: Differs, sentence: str) -> None:
        self._report.differs(number, what, sentence)


def _is_about(head: Happening, data: Body) -> bool:
    """Whether an entry is about what was derived, though it says something else of it."""
    if isinstance(head, Read):
        return head.reading.n == data.get("n") or [head.first, head.last] == data.get("bytes")
    if isinstance(head, Damaged):
        return [head.first, head.last] == data.get("bytes")
    if isinstance(head, Gap | Filled | Lost):
        return head.low == data.get("first") or head.high == data.get("last")
    return True
