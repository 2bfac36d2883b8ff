"""`Recorder`: happenings and steps in, entries and events out.

It is driven by whoever owns the log: hand in what came, drain the events, commit, then publish them. Given the same
log, clock readings and inputs it writes the same entries, so that replay and the audit can run it again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from logger.clock import NS_PER_S, Clock, from_rfc3339
from logger.happening import Happening
from logger.logbook.entries import Kind
from logger.proof import LINE_LOST_S, Lapse
from logger.reading import Identity
from logger.recorder.book import Book
from logger.recorder.checks import Check, Checks
from logger.recorder.event import Event, Log, Refusal
from logger.recorder.intake import Candidate, Intake
from logger.recorder.limits import STEP_BYTES_AT_MOST
from logger.recorder.steps import Steps
from logger.state import JobState


class Recorder:
    """One capture session on one logbook.

    Args:
        log: where entries go.
        state: what the log says so far (folded over its entries).
        clock: the only source of time.
        drivers: by line, the driver's name and version, for the record.
    """

    def __init__(self, log: Log, state: JobState, clock: Clock, drivers: Mapping[str, str]) -> None:
        self._book = Book(log, state, clock)
        self._checks = Checks(self._book)
        self._intake = Intake(self._book, self._checks, drivers)
        self._steps = Steps(self._book, self._checks, self._intake)

    @property
    def state(self) -> JobState:
        """What the log says now."""
        return self._book.state

    @property
    def check(self) -> Check | None:
        """The self-check under way."""
        return self._checks.under_way

    @property
    def candidate(self) -> Candidate | None:
        """The reading that `take` would take."""
        return self._intake.candidate

    @property
    def candidates(self) -> Mapping[str, Candidate]:
        """By serial number: the newest accepted reading of each meter under the present selection."""
        return self._intake.candidates

    def begin(self, opened: Mapping[str, object]) -> None:
        """Write that a session began, and end proofs that the time between has ended.

        Args:
            opened: `operator`, `host`, `version`, `utc_offset_min`.
        """
        last_at = self.state.last_at
        self._book.turn()
        self._book.write(Kind.OPENED, opened)
        away_s = (from_rfc3339(self._book.at) - from_rfc3339(last_at)).total_seconds() if last_at else 0.0
        if not 0 <= away_s <= LINE_LOST_S:
            for serial in list(self.state.meters):
                self._checks.lapse(serial, Lapse.LINE_LOST)
        self.give_up_gaps()

    def give_up_gaps(self) -> None:
        """Tell what never came as lost: nobody will ask the meter for it again. At the end of a session, and at the
        beginning of one that follows a session which ended without its end."""
        if self.state.closed_at is None:
            self._book.turn()
            for (serial, boot), gaps in list(self.state.open_gaps.items()):
                for low, high in list(gaps):
                    body = {"serial": serial, "boot": boot, "first": low, "last": high}
                    self._book.record(Kind.LOST, "lost", body)

    def take_in(self, happenings: Sequence[Happening]) -> None:
        """Record what came from instruments, in order."""
        if self.state.closed_at is None:
            self._book.turn()
            self._checks.tick(self._book.clock.mono_ns())
            self._intake.take_in(happenings)

    def keyed_meter(self, line: str, identity: Identity) -> None:
        """A meter without a data port is at hand: say that it is ready."""
        self._book.turn()
        self._intake.keyed_meter(line, identity)

    def tick(self) -> None:
        """Do what time makes due. Call it at least once a second."""
        if self.state.closed_at is None:
            self._book.turn()
            self._checks.tick(self._book.clock.mono_ns())

    def waits_for(self, step: Mapping[str, Any]) -> bool:
        """Whether this step has to wait until the check under way has its answer (a keyed reading feeds it)."""
        return self._checks.busy and step.get("do") != "key"

    def do(self, step: Mapping[str, Any]) -> None:
        """Do one step."""
        self._book.turn()
        self._checks.tick(self._book.clock.mono_ns())
        self._steps.do(step)

    def refuse_line(self, why: str) -> None:
        """Answer a line that is no step."""
        self._book.turn()
        self._steps.refuse("", Refusal(why), None)

    def drain(self) -> list[Event]:
        """The events since the last call. Publish them only once their entries are durable."""
        return self._book.drain()


def read_step(line: str) -> Mapping[str, Any]:
    """A step from its line.

    Raises:
        Refusal: if the line is no JSON object, or longer than 16 KiB.
    """
    if len(line.encode("utf-8", "surrogatepass")) > STEP_BYTES_AT_MOST:
        raise Refusal(f"this line is longer than {STEP_BYTES_AT_MOST} bytes: no step is")
    try:
        step = json.loads(line, parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise Refusal('this line is no step: write one JSON object a line, such as {"do":"take"}') from None
    if not isinstance(step, Mapping):
        raise Refusal("this line is no step: a step is a JSON object with a `do`")
    return step


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no JSON number")


def age_ns(now_at: str, then_at: str) -> int:
    """Nanoseconds from one RFC 3339 time to another; negative when the wall clock went back."""
    return round((from_rfc3339(now_at) - from_rfc3339(then_at)).total_seconds() * NS_PER_S)
