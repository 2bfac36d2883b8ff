"""The demo that drives itself: an operator who reads the events, moves the simulated hands, and does the job in order.

It knows what an operator would know, the plan; what is wrong with the site it finds by measuring.
"""

from __future__ import annotations

import queue
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from drivers import address
from drivers.simulator.thread import SimulatorThread
from logger.clock import Clock
from logger.errors import InstrumentFailed
from logger.recorder.event import Event
from tui.present import local_time, sentence
from tui.wiring import Session

ANSWER_WITHIN_S: Final = 20.0
"""How long an answer may take, seconds: a check waits fifteen for its readings."""

READINGS_LOOKED_AT: Final = 600
"""Most readings looked at for one that is wanted: a minute of them."""

BREAKERS: Final = {"C1": "Q1", "C2": "Q2", "C3": "Q3"}
"""The studio's circuits and what switches each."""

WHOLE: Final = "L+N/PE"
"""Line and neutral joined, against earth."""


class Operator:
    """Does steps, moves the hands, watches what comes."""

    def __init__(self, session: Session, meter: SimulatorThread, say: Callable[[str], None]) -> None:
        self._session = session
        self._meter = meter
        self._say = say
        self._events: queue.Queue[Event] = queue.Queue()
        self._last_shown: object = None
        self._ids = 0

    def hear(self, events: Sequence[Event]) -> None:
        """Every event, as it is published."""
        for event in events:
            self._events.put(event)

    def hands(self, command: str) -> None:
        """Move the simulated hands."""
        self._say(f"           hands: {self._meter.perform(command)}")
        self._last_shown = None

    def tell(self, words: str) -> None:
        """A heading."""
        self._say(f"\n— {words}")

    def do(self, name: str, **fields: object) -> Mapping[str, Any]:
        """Do a step and wait for its answer."""
        self._ids += 1
        self._session.submit({"do": name, "id": self._ids, **fields})
        return self._until(lambda event: event.fields.get("id") == self._ids).fields

    def wait_for(self, name: str) -> Mapping[str, Any]:
        """The next event of that name."""
        return self._until(lambda event: event.name == name).fields

    def steady_reading(self, function: str, *, accepted: bool = True) -> Mapping[str, Any]:
        """Wait until the meter shows a steady reading of that function."""

        def is_it(event: Event) -> bool:
            body = event.fields
            if event.name != "reading" or body["function"] != function or body["accepted"] is not accepted:
                return False
            return "steady" in body.get("flags", ())

        return self._until(is_it).fields

    def turn(self, device: str, position: str) -> None:
        """Turn a device on the site, and say so in the log."""
        self.hands(f"set {device} {position}")
        self.do("set", device=device, position=position)

    def take(self, item: str, test: str, function: str, **fields: object) -> Mapping[str, Any]:
        """Select, put the leads on, wait until it is steady, take."""
        selected = self.do("select", item=item, test=test, **fields)
        self.hands(f"leads {item} {selected['between']}")
        self.steady_reading(function)
        return self.do("take")

    def prove(self, function: str, voltage: str | None = None) -> None:
        """Infinity and zero on that function and voltage."""
        at = {"voltage": voltage} if voltage else {}
        self.hands(f"function {function} {voltage or ''}".strip())
        for point, hands in (("infinity", "leads open"), ("zero", "leads short")):
            self.hands(hands)
            if point == "zero" and function == "continuity":
                self.hands("null")
            self._until_shown(function, "gt" if point == "infinity" else "eq")
            proof = self.do("prove", point=point, function=function, **at)
            if proof.get("outcome") != "pass":
                raise InstrumentFailed(f"The {point} check did not pass ({proof.get('why')})", "run the demo again")

    def _until_shown(self, function: str, relation: str) -> None:
        """Wait until what the hands did shows on the meter."""

        def shows(event: Event) -> bool:
            body = event.fields
            settled = "steady" in body.get("flags", ()) or relation == "gt"
            return event.name == "reading" and body["function"] == function and body["relation"] == relation and settled

        self._until(shows)

    def _until(self, wanted: Callable[[Event], bool]) -> Event:
        for _ in range(READINGS_LOOKED_AT):
            try:
                event = self._events.get(timeout=ANSWER_WITHIN_S)
            except queue.Empty:
                break
            found = wanted(event)
            self._show(event, always=found)
            if found:
                return event
        raise InstrumentFailed("The simulated meter did not bring what was waited for", "run the demo again")

    def _show(self, event: Event, *, always: bool) -> None:
        """Print an event; of readings that follow each other alike, the first alone."""
        kind: object = event.name
        if event.name == "reading":
            kind = (event.fields["function"], event.fields["item"], tuple(event.fields["reasons"]))
            if kind == self._last_shown and not always:
                return
        self._last_shown = kind
        self._say(f"{local_time(event.at)}   {sentence(event.name, event.fields)}")


def perform(logbook: Path, meter: SimulatorThread, clock: Clock, say: Callable[[str], None]) -> int:
    """Do the whole job on the studio. Returns 0 when the logbook was closed.

    Raises:
        InstrumentFailed: if the simulated meter does not do what a meter does.
    """
    heard: list[Operator] = []
    session = Session(
        logbook, [address.parse(meter.url)], lambda events: heard[0].hear(events), clock, end_on_failure=True
    )
    operator = Operator(session, meter, say)
    heard.append(operator)
    session.start()
    try:
        _job(operator)
    finally:
        session.stop()
        session.wait()
    say("")
    return 0


def _job(operator: Operator) -> None:
    operator.wait_for("ready")
    operator.tell("These tests are taken dead: the main switch is off and stays off.")
    operator.turn("Q0", "off")
    _before_the_check(operator)
    operator.tell("Prove the meter on the very function and voltage: leads apart, then joined.")
    operator.prove("continuity")
    operator.prove("insulation", "500")
    _earthing(operator)
    _insulation(operator)
    _fault(operator)
    _putting_back(operator)


def _before_the_check(operator: Operator) -> None:
    operator.tell("A reading before the meter is proven does not count.")
    operator.hands("function insulation 500")
    operator.do("select", item="C1", test="insulation", voltage="500")
    operator.hands("leads C1 L+N/PE")
    operator.steady_reading("insulation", accepted=False)
    operator.do("take")


def _earthing(operator: Operator) -> None:
    operator.tell("Earthing first.")
    operator.hands("function continuity")
    for item in ("E1", *BREAKERS):
        operator.take(item, "earth-continuity", "continuity")


def _insulation(operator: Operator) -> None:
    operator.tell("Insulation of the whole board. The neutral-earth link comes out, the contactor is held closed.")
    operator.do("alter", what="LK1", to="out", why="it would join neutral to earth under test")
    operator.hands("link LK1 out")
    operator.turn("K1", "closed")
    operator.hands("function insulation 500")
    operator.take("DB1", "insulation", "insulation", voltage="500", between=WHOLE)
    operator.tell("It does not meet its limit. Circuit by circuit, with the other breakers off.")
    for breaker in BREAKERS.values():
        operator.turn(breaker, "off")
    for circuit, breaker in BREAKERS.items():
        operator.turn(breaker, "on")
        operator.take(circuit, "insulation", "insulation", voltage="500", between=WHOLE)
        operator.turn(breaker, "off")
    operator.tell("A two-way pair is tested both ways: what is behind its other strapper was not reached.")
    operator.turn("Q3", "on")
    for device in ("S3", "S4"):
        operator.turn(device, "2")
    operator.take("C3", "insulation", "insulation", voltage="500", between=WHOLE)
    operator.turn("Q3", "off")


def _fault(operator: Operator) -> None:
    operator.tell("It is C2. Which of its conductors?")
    operator.turn("Q2", "on")
    line = operator.take("C2", "insulation", "insulation", voltage="500", between="L/PE")
    neutral = operator.take("C2", "insulation", "insulation", voltage="500", between="N/PE")
    found = "line" if line["verdict"] == "fails" and neutral["verdict"] != "fails" else "more than the line"
    operator.do("note", text=f"C2: {found} against earth; the cable behind the joint was found nicked and replaced")
    operator.hands("mend C2")
    operator.tell("Repaired: the failed tests again, and the earlier one that the repair could have touched.")
    for between in (WHOLE, "L/PE", "N/PE"):
        operator.take("C2", "insulation", "insulation", voltage="500", between=between)
    for breaker in BREAKERS.values():
        operator.turn(breaker, "on")
    operator.take("DB1", "insulation", "insulation", voltage="500", between=WHOLE)
    operator.hands("function continuity")
    operator.take("C2", "earth-continuity", "continuity")


def _putting_back(operator: Operator) -> None:
    operator.tell("Put everything back, and check the meter again: that brackets the results.")
    operator.do("close")
    operator.hands("link LK1 in")
    operator.do("restore", what="LK1")
    operator.turn("K1", "open")
    operator.prove("continuity")
    operator.prove("insulation", "500")
    operator.do("close", seal=True)
