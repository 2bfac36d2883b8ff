"""What one line yields, held against the entries that must have come of it, in order and to the letter.

`FollowedLine` knows one line of one session: what its bytes yielded and which of it stands.
"""

from __future__ import annotations

from logger.audit.rederive_bodies import KIND_OF, Body, agrees, derived_body, is_about
from logger.audit.rederive_lapses import Lapses
from logger.audit.rederive_lines import LineReplay, Resume
from logger.audit.rederive_numbers import Numbers
from logger.audit.rederive_report import Differs, Report, how, titled
from logger.audit.rederive_timed import FAILED_TRIES_AT_MOST, Timed
from logger.happening import Filled, Gap, Happening, Identified, Lost, Read, Told
from logger.logbook.entries import Entry
from logger.text import harmless


class FollowedLine:
    """One line of one session. `replay.conversation` is None where its driver is not here: nothing is compared then."""

    def __init__(self, replay: LineReplay, report: Report, lapses: Lapses, resume: Resume) -> None:
        self.replay = replay
        self._report = report
        self._lapses = lapses
        self._resume = resume
        self.timed = Timed(replay, report)
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
        return agrees(self.replay, strict[0], data)

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
            self.timed.numbers.gap(found.low, found.high)
        elif isinstance(found, Filled | Lost):
            self.timed.settle(type(found), found.low, found.high)
        elif isinstance(found, Identified):
            self._identified(found, entry.number)
        return found

    def resync(self, entry: Entry, data: Body) -> Happening | None:
        """The entry does not follow. If it is about something that waits, tell how it differs and find the step again;
        None if it is about nothing."""
        strict = self.replay.waiting.strict
        for skipped, head in enumerate(strict):
            if KIND_OF[type(head)] != entry.kind or isinstance(head, Told) or not is_about(head, data):
                continue
            said = how(derived_body(self.replay, head, data), data)
            if said:
                self._tell(entry.number, Differs.FIELD, f"{titled(entry)} is not what the raw bytes say: {said}.")
            if skipped:
                self._tell_missing(entry.number, list(strict)[:skipped])
            for _ in range(skipped):
                strict.popleft()
            return self.take(entry, data)
        return None

    def settled(self, entry: Entry, data: Body, given_up: bool) -> None:
        """Numbers told as filled or lost: so they must be, by the bytes in their order, or by a timer."""
        if not self.is_derived:
            return
        if self.matches(entry, data):
            self.take(entry, data)
            return
        strict = self.replay.waiting.strict
        if strict and KIND_OF[type(strict[0])] == entry.kind and self.resync(entry, data) is not None:
            return
        self.timed.settled(entry, data, given_up)

    def end(self, number: int) -> None:
        """The session is over; `number` is that of the next entry."""
        self.missing_before(number)
        self.timed.end(number)

    def missing_before(self, number: int) -> None:
        """All that the line yielded must stand before entry `number`."""
        self._drop_silent()
        strict = self.replay.waiting.strict
        if strict:
            self._tell_missing(number, list(strict))
            strict.clear()
        if not self.timed.numbers.missing and not self.replay.timed:
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

    def _identified(self, found: Identified, number: int) -> None:
        replay, serial, boot = self.replay, found.identity.serial, found.identity.boot
        if (replay.serial, replay.boot) != (serial, boot):
            highest = self._resume(serial, boot)
            if highest is None and replay.serial == serial:
                highest = 0
            self.timed.check_untold(number)
            self.timed.numbers = Numbers(highest)
        replay.serial, replay.boot = serial, boot

    def _check_repeat(self, found: Read, entry: Entry, data: Body) -> None:
        told = "repeat" in data["reasons"]
        again = self.timed.numbers.came(found.reading.n)
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
            self.timed.numbers.came(head.event.n)
            return True
        return False

    def may_tell_of(self, data: Body) -> bool:
        """Whether a lapse could come of what cannot be derived for certain: an event that came late."""
        return self.replay.serial == data["serial"] and (self.replay.gave_up or not self.is_derived)

    def _drop_silent(self, late_too: bool = True) -> None:
        """What the meter told without effect makes no entry; nor, perhaps, what came after it was given up."""
        strict = self.replay.waiting.strict
        while strict and isinstance(head := strict[0], Told):
            excused = late_too and self.replay.gave_up and self.timed.numbers.is_late(head.event.n)
            if self._lapses.by_meter(head) is not None and not excused:
                return
            self.timed.numbers.came(head.event.n)
            strict.popleft()

    def _tell(self, number: int, what: Differs, sentence: str) -> None:
        self._report.differs(number, what, sentence)
