"""A desk on a bench: the real recorder on a log in memory, a clock that stands still, readings given by hand.

No thread, no line, no file: what the recorder tells goes through the real pump, and the desk looks when it is told to.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from logger.clock import ManualClock, rfc3339
from logger.errors import ZerofirstError
from logger.happening import Disconnected, Identified, Read, Ready, Reconnected, Told
from logger.job.model import (
    Board,
    Cable,
    Circuit,
    Device,
    DeviceKind,
    Earth,
    EarthingSystem,
    EarthKind,
    JobKind,
    Plan,
    Rcd,
    Supply,
)
from logger.job.plan import plan_body
from logger.logbook.entries import Kind
from logger.quantity import Displayed, Function, Relation, Test
from logger.reading import Flag, Identity, MeterEvent, Range, Reading
from logger.recorder.core import Recorder
from logger.recorder.event import MemoryLog
from logger.rules.pack import load_pack
from logger.state import JobState
from tui.desk import Desk
from tui.opening import Opened
from tui.pump import Pump
from tui.view import ScreenView, text_of
from tui.wiring import Outcome

LINE = "tcp:127.0.0.1:4000"


def studio_plan(**changed: Any) -> Plan:
    """A kiln shed: one board with its link, two circuits with devices, the main earth."""
    fields: dict[str, Any] = {
        "title": "Kiln shed rewire",
        "kind": JobKind.INSTALLATION,
        "rules": "iec",
        "supply": Supply(EarthingSystem.TN_C_S, Decimal(230)),
        "boards": (Board("DB1", main_switch="Q0", neutral_earth_link="LK1", required=()),),
        "circuits": (
            Circuit(
                "C1",
                "DB1",
                "Kiln",
                cable=Cable(Decimal(12), Decimal(6), Decimal(6), Decimal("2.5")),
                path=(Device("Q1", DeviceKind.BREAKER, 2),),
                required=(Test.INSULATION,),
            ),
            Circuit(
                "C3",
                "DB1",
                "Workbench lights",
                rcd=Rcd("A", Decimal(30)),
                cable=Cable(Decimal(24), Decimal("1.5"), Decimal("1.5"), Decimal("1.5")),
                path=(Device("Q3", DeviceKind.BREAKER), Device("S3", DeviceKind.ONE_WAY)),
                required=(Test.INSULATION, Test.POLARITY),
            ),
        ),
        "earths": (Earth("E1", EarthKind.MAIN_EARTH, required=()),),
    }
    return Plan(**{**fields, **changed})


RANGES = (
    Range(
        Function.INSULATION,
        "1",
        "MOhm",
        Decimal(0),
        Decimal(20),
        Decimal("0.01"),
        Decimal(3),
        Decimal(2),
        ("250", "500", "1000"),
    ),
    Range(
        Function.INSULATION,
        "2",
        "MOhm",
        Decimal(0),
        Decimal(1000),
        Decimal(1),
        Decimal(3),
        Decimal(2),
        ("250", "500", "1000"),
    ),
    Range(Function.CONTINUITY, "1", "Ohm", Decimal(0), Decimal(20), Decimal("0.01"), Decimal(2), Decimal(2)),
    Range(Function.RCD_TIME, "1", "ms", Decimal(0), Decimal(500), Decimal(1)),
    Range(Function.EARTH_LOOP, "1", "Ohm", Decimal(0), Decimal(200), Decimal("0.01"), Decimal(5), Decimal(5)),
)


class BenchSitting:
    """A session without threads: a step is done, and its answer published, before `submit` returns."""

    def __init__(self, recorder: Recorder, pump: Pump) -> None:
        self.lock = threading.RLock()
        self.trouble = ""
        self.recorder = recorder
        self.failures: tuple[ZerofirstError, ...] = ()
        self.outcome: Outcome | None = None
        self.steps: list[Mapping[str, Any]] = []
        self._pump = pump

    @property
    def state(self) -> JobState:
        return self.recorder.state

    def submit(self, step: Mapping[str, Any]) -> None:
        self.steps.append(step)
        self.recorder.do(step)
        self.publish()

    def publish(self) -> None:
        self._pump.publish(self.recorder.drain())

    def stop(self) -> None:
        self.outcome = Outcome()

    def wait(self, timeout_s: float | None = None) -> Outcome | None:
        return self.outcome


class ScreenBench:
    """What a meter and a person do, in short words; `look` is what the screen would show."""

    def __init__(
        self, plan: Plan | None = None, *, connected: bool = True, addresses: tuple[str, ...] = (LINE,)
    ) -> None:
        plan = plan or studio_plan()
        self.clock = ManualClock()
        self.pump = Pump()
        self.log = MemoryLog()
        state = JobState()
        at = rfc3339(self.clock.utc())
        pack = load_pack(plan.rules)
        for kind, body in ((Kind.JOB, {"plan": plan_body(plan)}), (Kind.RULES, {"pack": pack.body})):
            state.apply(self.log.append(kind, body, at), at, kind, body, 0)
        recorder = Recorder(self.log, state, self.clock, {LINE: "meter-line 1"})
        recorder.begin({"operator": "Ada", "host": "bench", "version": "test", "utc_offset_min": 0})
        self.sitting = BenchSitting(recorder, self.pump)
        self.desk = Desk(self.sitting, self.pump, self.clock, addresses)
        self.n = 0
        if connected:
            self.connect()

    def opened(self, path: Path = Path("bench.zerofirst")) -> Opened:
        """As the app takes it; what came before is the bench's own desk's already."""
        self.desk.look()
        return Opened(path, self.sitting, None, self.pump, (), (LINE,))

    def connect(self, **said: Any) -> None:
        """The meter says who it is."""
        fields: dict[str, Any] = {
            "serial": "0417",
            "boot": "b1",
            "maker": "Example Works",
            "model": "TM-2",
            "firmware": "1.4",
            "calibrated_until": "2028-03-14",
            "battery_percent": 87,
            "leads": "A",
        }
        identity = Identity(**{**fields, **said})
        now = self.clock.mono_ns()
        self.take_in(Identified(LINE, now, identity, True), Ready(LINE, now, identity, RANGES))

    def take_in(self, *happenings: Any) -> None:
        self.sitting.recorder.take_in(list(happenings))
        self.sitting.publish()

    def read(
        self,
        value: str,
        function: Function = Function.INSULATION,
        *,
        unit: str = "MOhm",
        relation: str = "eq",
        voltage: str | None = "500",
        flags: tuple[Flag, ...] = (),
        mark: str = "",
        serial: str = "0417",
        output: str | None = None,
    ) -> None:
        """One reading."""
        self.n += 1
        reading = Reading(
            self.n,
            function,
            Displayed(value, unit, Relation(relation)),
            None,
            mark,
            voltage if function is Function.INSULATION else None,
            output,
            frozenset(flags),
        )
        self.take_in(Read(LINE, self.clock.mono_ns(), serial, "b1", reading, False, 0, 0))
        self.desk.look()

    def step(self, do: str, **fields: Any) -> None:
        self.sitting.submit({"do": do, **fields})

    def tell(self, name: str, why: str = "") -> None:
        self.n += 1
        self.take_in(Told(LINE, self.clock.mono_ns(), "0417", "b1", MeterEvent(self.n, name, None, why), 0, 0))

    def lose_line(self, why: str = "the port is gone") -> None:
        self.take_in(Disconnected(LINE, self.clock.mono_ns(), why))

    def line_back(self, away_s: float) -> None:
        self.take_in(Reconnected(LINE, self.clock.mono_ns(), round(away_s * 1e9)))

    def pass_time(self, seconds: float) -> None:
        self.clock.advance(seconds)
        self.sitting.recorder.tick()
        self.sitting.publish()

    def check(self, point: str, value: str, function: Function = Function.INSULATION, **named: Any) -> None:
        """A whole check, three readings."""
        fields: dict[str, Any] = {"voltage": named.get("voltage", "500")} if function is Function.INSULATION else {}
        self.step("prove", point=point, function=str(function), **fields)
        for _ in range(3):
            self.read(value, function, **named)

    def prove(self, voltage: str = "500") -> None:
        self.check("infinity", "1000", relation="gt", voltage=voltage)
        self.check("zero", "0.00", voltage=voltage)

    def prove_continuity(self) -> None:
        self.check("infinity", "20", Function.CONTINUITY, unit="Ohm", relation="gt")
        self.check("zero", "0.02", Function.CONTINUITY, unit="Ohm", flags=(Flag.NULLED,))

    def select(self, item: str = "C1", test: str = "insulation", *, confirmed: bool = True, **more: Any) -> None:
        self.step("select", item=item, test=test, **more)
        if confirmed:
            self.step("confirm", caution=test)

    def isolate(self) -> None:
        """Supply off and link out, as a dead test asks."""
        self.step("alter", what="supply", to="off", why="proven dead")
        self.step("alter", what="LK1", to="out", why="insulation")

    def look(self) -> ScreenView:
        view = self.desk.look()
        assert view is not None
        return view

    def says(self, word: str) -> str:
        """The bare text of one clause now: `with_meter`, `means` …, or `next`."""
        view = self.look()
        return text_of(view.next_step.lines if word == "next" else getattr(view, word))

    def answer(self) -> str:
        return text_of((self.look().next_step.answer,))
