"""The desk: between a session and the screen. Turns what came into views, and what a person wants into steps.

No Textual here: everything that the app decides is decided where it can be tested without a screen. Used by one thread.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, TypeVar

from logger.clock import NS_PER_S, Clock, rfc3339
from logger.job.model import Item
from logger.job.work import missing_before
from logger.proof import Point, ProofKey, check
from logger.quantity import WITH_TEST_VOLTAGE, Test
from logger.reading import Flag, Reading
from logger.recorder.event import Event
from logger.screening import functions_for
from logger.state import JobState
from logger.text import harmless
from tui.facts import Facts, Sitting, WorkFacts, gather, work_facts
from tui.live import Live, Seen
from tui.present import figure, on_function, test_words
from tui.pump import Pump
from tui.sentence.whole import Sentence
from tui.view import HandsView, ScreenView
from tui.walk import Walk

Answer = TypeVar("Answer")

LOCK_WAIT_S: Final = 0.01
"""How long a tick waits for the recorder to let it look, seconds: a tenth of a tick; else it looks at the next one."""

BUSY_TOLD_S: Final = 1.5
"""After how long without a look the disk is called slow, seconds: with one tick it shows well within three."""


class Desk:
    """One job on one screen.

    Args:
        sitting: the session, or a logbook that is only looked at.
        pump: where its events come from.
        addresses: the URLs that were given, for words.
    """

    def __init__(self, sitting: Sitting, pump: Pump, clock: Clock, addresses: Sequence[str] = ()) -> None:
        self.sitting = sitting
        self.live = Live()
        self.facts: Facts | None = None
        self.view: ScreenView | None = None
        self.hands: HandsView | None = None
        self.walk: Walk | None = None
        """The steps that the person is being led through; None while they are not."""
        self.pinned = ""
        """Serial number of the meter that the person has named; empty where any that can do the test will do."""
        self._pump = pump
        self._clock = clock
        self._addresses = tuple(addresses)
        self._sentence = Sentence()
        self._failures_told: set[str] = set()
        self._work = WorkFacts()
        self._work_revision = -1
        self._looked_ns = clock.mono_ns()

    @property
    def clock(self) -> Clock:
        """Its source of time."""
        return self._clock

    def look(self) -> ScreenView | None:
        """Take in what came and say what stands now; None until the log says what the job is. Waits 10 ms at most."""
        now_ns, now_at = self._clock.mono_ns(), rfc3339(self._clock.utc())
        for event in self._pump.drain():
            self.live.take(event, now_ns)
        self._tell_of_failures(now_at, now_ns)
        self._gather(now_at, now_ns)
        if self.facts is not None:
            self.view = self._sentence.compose(self.facts, self.live, self.hands)
        return self.view

    def _tell_of_failures(self, now_at: str, now_ns: int) -> None:
        """A line that failed beside others that work is told once; where it is the only one, WITH says so anyway."""
        failures = {str(failure) for failure in self.sitting.failures}
        if self.live.here:
            for why in sorted(failures - self._failures_told):
                self.live.take(Event("failed", now_at, None, {"why": why}), now_ns)
        self._failures_told = failures

    def _gather(self, now_at: str, now_ns: int) -> None:
        if self.sitting.lock.acquire(timeout=LOCK_WAIT_S):
            try:
                if self._work_revision != self.live.work_revision:
                    self._work = work_facts(self.sitting.state)
                    self._work_revision = self.live.work_revision
                self.facts = gather(self.sitting, self.live, self._work, self._addresses, now_at, now_ns, self.pinned)
            finally:
                self.sitting.lock.release()
            self._looked_ns = now_ns
        elif self.facts is not None:
            self.facts = replace(self.facts, now_at=now_at, now_ns=now_ns)
        if self.facts is not None:
            self.facts = replace(self.facts, trouble=self._trouble(now_ns), walk=self.walk)

    def _trouble(self, now_ns: int) -> str:
        if self.sitting.trouble:
            return self.sitting.trouble
        outcome = self.sitting.wait(0)
        if outcome is not None and outcome.error is not None:
            return f"Recording has ended. {outcome.error}"
        busy_s = (now_ns - self._looked_ns) / NS_PER_S
        return f"The disk is slow: nothing was confirmed for {busy_s:.0f} s." if busy_s >= BUSY_TOLD_S else ""

    def peek(self, ask: Callable[[JobState], Answer]) -> Answer | None:
        """Ask the state something; None where the recorder is too busy to let anybody look just now."""
        if not self.sitting.lock.acquire(timeout=LOCK_WAIT_S):
            return None
        try:
            return ask(self.sitting.state)
        finally:
            self.sitting.lock.release()

    # -- what a person wants ----------------------------------------------------------------------------------------

    def step(self, do: str, **fields: Any) -> None:
        """Hand a step over; its answer comes as an event."""
        if self.is_closed:
            self.refuse(do, "the logbook is closed and takes nothing more")
        else:
            self.sitting.submit({"do": do, **fields})

    def refuse(self, do: str, why: str) -> None:
        """Answer without asking the recorder: what the screen itself does not let through."""
        event = Event("refused", rfc3339(self._clock.utc()), None, {"do": do, "why": why})
        self.live.take(event, self._clock.mono_ns())

    @property
    def is_closed(self) -> bool:
        """Nothing can be recorded any more."""
        return self.facts is not None and self.facts.closed

    def take(self) -> None:
        """Take the reading, unless a caution stands."""
        facts = self.facts
        if facts is not None and facts.caution:
            self.refuse("take", "a caution stands before this test: read it, do what it says, then press u")
        elif facts is not None and facts.contenders:
            both = " and ".join(harmless(serial, 24) for serial in facts.contenders)
            self.refuse("take", f"meters {both} all measure this: press e and say which one is on it")
        else:
            self.step("take")

    def confirm(self) -> None:
        """Confirm the caution that stands."""
        facts = self.facts
        if facts is None or facts.selection is None or not facts.caution:
            self.refuse("confirm", "no caution stands")
        else:
            self.step("confirm", caution=str(facts.selection.test))

    def why_not_judge(self) -> str:
        """Why nothing can be judged by eye now; empty where something can."""
        facts = self.facts
        if facts is None or facts.selection is None:
            return "choose what is looked at first"
        if facts.caution:
            return "a caution stands before this test: read it, do what it says, then press u"
        if not facts.judged:
            test = test_words(facts.selection.test)
            return f"{test} is measured, not judged by eye: take a reading, or leave it out with s"
        return ""

    def judge(self, outcome: str, why: str = "") -> None:
        """Judge by eye, where an eye can judge and no caution stands."""
        refusal = self.why_not_judge()
        if refusal and not self.is_closed:
            self.refuse("judge", refusal)
        else:
            self.step("judge", outcome=outcome, why=why)

    def missing_before(self, item: Item, test: Test) -> str:
        """What must stand before this test of this item, in words; empty where nothing is in the way."""
        missing = self.peek(lambda state: missing_before(state, item, test))
        return ", ".join(f"{test_words(earlier)} {stands}" for earlier, stands in missing or ())

    def select(
        self,
        item: str,
        test: str,
        voltage: str | None = None,
        override: str = "",
        setting: Mapping[str, str] | None = None,
    ) -> None:
        """Choose what is tested. `override`: the person's words for a live test whose earlier tests do not stand;
        `setting`: multiple and phase of an RCD test."""
        more = {"voltage": voltage, "override": override, "setting": dict(setting or {}), "meter": self._named(test)}
        self.step("select", item=item, test=test, **{name: value for name, value in more.items() if value})

    def _named(self, test: str) -> str:
        """The meter that was named, if it is here and can do this test; empty otherwise."""
        wanted = functions_for(Test(test))
        meter = self.peek(lambda state: state.meters.get(self.pinned))
        able = meter is not None and (not meter.ranges or any(r.function in wanted for r in meter.ranges))
        return self.pinned if self.pinned in self.live.here and able else ""

    def pin(self, serial: str) -> None:
        """Name the meter for what is tested now and from now on; empty: whichever can do it. What is selected is
        selected anew, so that no reading of another meter counts for it."""
        self.pinned = serial
        selection = self.facts.selection if self.facts is not None else None
        if selection is None or self.facts is None or self.facts.item is None:
            return
        missing = self.missing_before(self.facts.item, selection.test)
        override = "as was said when it was selected before" if missing else ""
        more = {"voltage": selection.voltage, "override": override, "setting": dict(selection.setting)}
        more |= {"between": selection.between, "meter": self._named(selection.test)}
        fields = {name: value for name, value in more.items() if value}
        self.step("select", item=selection.item, test=str(selection.test), **fields)

    # -- the self-check ---------------------------------------------------------------------------------------------

    def why_not_prove(self) -> str:
        """Why no self-check can begin now; empty where one can."""
        facts = self.facts
        if facts is None or facts.prove is None:
            return "no meter has said yet what it is set to: switch it on, or measure something"
        if facts.check is not None:
            return "a check is under way: keep still"
        seen, key = facts.seen, facts.prove
        if seen is not None and ProofKey.of(seen.serial, seen.function, seen.voltage) != key:
            on = on_function(seen.function, seen.voltage)
            return f"set the meter to {on_function(key.function, key.voltage)} first: it is on {on}"
        return ""

    def doubt_about(self, point: Point) -> str:
        """Why a check of this point would fail just now and cost something; empty where nothing speaks against it."""
        facts = self.facts
        if facts is None or facts.prove is None or facts.seen is None or facts.meter is None:
            return ""
        waiting = sum(c.results for c in facts.work.closings if c.key == facts.prove)
        if not waiting and not facts.prove_proof.is_whole:
            return ""
        outcome = check(point, [_as_reading(facts.seen)], facts.meter.ranges, facts.pack.bands)
        if outcome.passed:
            return ""
        shown = figure(facts.seen.value.text, facts.seen.value.unit, facts.seen.value.relation)
        cost = f"put {waiting} result{'' if waiting == 1 else 's'} in doubt" if waiting else "end the meter's proof"
        posture = "apart" if point is Point.INFINITY else "joined"
        return f"The meter reads {shown}: that is not leads {posture}. A check that fails now would {cost}."

    def prove(self, point: Point, expect: Mapping[str, str] | None = None) -> None:
        """Begin a check of the key that the job waits for. `expect`: value and unit of a reference."""
        facts, why = self.facts, self.why_not_prove()
        if why or facts is None or facts.prove is None:
            self.refuse("prove", why)
            return
        key = facts.prove
        step: dict[str, Any] = {"point": str(point), "function": str(key.function), "meter": key.serial}
        if key.function in WITH_TEST_VOLTAGE and key.voltage:
            step["voltage"] = key.voltage
        self.step("prove", **step, **(expect or {}))

    def key_in(self, fields: Mapping[str, str]) -> None:
        """A reading that the person read off a meter."""
        self.step("key", **fields)


def _as_reading(seen: Seen) -> Reading:
    return Reading(
        n=0,
        function=seen.function,
        value=seen.value,
        range_mark=seen.range_mark,
        voltage=seen.voltage,
        flags=frozenset(Flag(flag) for flag in seen.flags),
    )
