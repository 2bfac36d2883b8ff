"""A recorder on a bench: a log in memory, a clock that stands still, one meter whose readings are given by hand."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from logger.clock import ManualClock, rfc3339
from logger.happening import Gap, Identified, Read, Ready, Reconnected, Told
from logger.job.model import Board, Cable, Circuit, Earth, EarthingSystem, EarthKind, JobKind, Plan, Rcd, Supply
from logger.job.plan import plan_body
from logger.logbook.entries import Kind
from logger.quantity import Displayed, Function, Relation, Test
from logger.reading import Flag, Identity, MeterEvent, Range, Reading
from logger.recorder.core import Recorder
from logger.recorder.event import MemoryLog
from logger.rules.pack import load_pack
from logger.state import JobState

LINE = "tcp:127.0.0.1:4000"


def studio_plan(rules: str = "iec") -> Plan:
    """A shared pottery studio: one board, two circuits, the main earth."""
    return Plan(
        title="Kiln shed rewire",
        kind=JobKind.INSTALLATION,
        rules=rules,
        supply=Supply(EarthingSystem.TN_C_S, Decimal(230)),
        boards=(Board("DB1", main_switch="Q0", neutral_earth_link="LK1"),),
        circuits=(
            Circuit(
                "C1",
                "DB1",
                "Kiln",
                cable=Cable(Decimal(12), Decimal(6), Decimal(6), Decimal("2.5")),
                required=(Test.INSULATION,),
            ),
            Circuit("C2", "DB1", "Wheels", rcd=Rcd("A", Decimal(30)), required=(Test.INSULATION,)),
        ),
        earths=(Earth("E1", EarthKind.MAIN_EARTH, required=()),),
    )


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
)


class Bench:
    """What an operator and a meter do, in short words; answers are the events told."""

    def __init__(self, plan: Plan) -> None:
        self.clock = ManualClock()
        self.log = MemoryLog()
        self.state = JobState()
        pack = load_pack(plan.rules)
        at = rfc3339(self.clock.utc())
        for kind, body in ((Kind.JOB, {"plan": plan_body(plan)}), (Kind.RULES, {"pack": pack.body})):
            self.state.apply(self.log.append(kind, body, at), at, kind, body, 0)
        self.recorder = Recorder(self.log, self.state, self.clock, {LINE: "meter-line 1"})
        self.recorder.begin({"operator": "Ada", "host": "bench", "version": "test", "utc_offset_min": 0})
        self.n = 0
        self.boot = "b1"
        self.connect()

    def connect(self, boot: str = "b1", **said: Any) -> list[dict[str, Any]]:
        self.boot = boot
        identity = Identity("0417", boot, "Example Works", "TM-2", "1.4", "2028-03-14", 87, said.get("leads", "A"))
        now = self.clock.mono_ns()
        self.recorder.take_in([Identified(LINE, now, identity, True), Ready(LINE, now, identity, RANGES)])
        return self.events()

    def events(self) -> list[dict[str, Any]]:
        return [event.record() for event in self.recorder.drain()]

    def step(self, do: str, **fields: Any) -> list[dict[str, Any]]:
        self.recorder.do({"do": do, **fields})
        return self.events()

    def answer(self, do: str, **fields: Any) -> dict[str, Any]:
        """The event that answers the step."""
        return next(e for e in self.step(do, id="s", **fields) if e.get("id") == "s")

    def read(
        self,
        value: str,
        function: Function = Function.INSULATION,
        *,
        unit: str = "MOhm",
        relation: str = "eq",
        voltage: str | None = "500",
        flags: tuple[Flag, ...] = (),
        repeat: bool = False,
        n: int | None = None,
        mark: str = "",
        setting: Mapping[str, str] | None = None,
        output_voltage: str | None = None,
    ) -> list[dict[str, Any]]:
        """One reading; the events it brought."""
        self.n = self.n + 1 if n is None else max(self.n, n)
        setting = setting or {}
        reading = Reading(
            n or self.n,
            function,
            Displayed(value, unit, Relation(relation)),
            None,
            mark,
            voltage if function is Function.INSULATION else None,
            output_voltage,
            frozenset(flags),
            None,
            setting.get("multiple"),
            setting.get("phase"),
            setting.get("rated"),
        )
        now = self.clock.mono_ns()
        self.recorder.take_in([Read(LINE, now, "0417", self.boot, reading, repeat, 0, 0)])
        return self.events()

    def reading(self, value: str, *args: Any, **named: Any) -> dict[str, Any]:
        """One reading; its own event."""
        return next(e for e in self.read(value, *args, **named) if e["event"] == "reading")

    def tell(self, name: str, why: str = "", n: int | None = None) -> list[dict[str, Any]]:
        """An event; with the next number, or late with that of `n`."""
        if n is None:
            n = self.n = self.n + 1
        self.recorder.take_in(
            [Told(LINE, self.clock.mono_ns(), "0417", self.boot, MeterEvent(n, name, None, why), 0, 0)]
        )
        return self.events()

    def miss(self, count: int) -> list[dict[str, Any]]:
        """The next numbers do not come."""
        first, self.n = self.n + 1, self.n + count
        self.recorder.take_in([Gap(LINE, self.clock.mono_ns(), "0417", self.boot, first, self.n)])
        return self.events()

    def line_back_after(self, seconds: float) -> list[dict[str, Any]]:
        self.recorder.take_in([Reconnected(LINE, self.clock.mono_ns(), round(seconds * 1e9))])
        return self.events()

    def pass_time(self, seconds: float) -> list[dict[str, Any]]:
        self.clock.advance(seconds)
        self.recorder.tick()
        return self.events()

    def check(self, point: str, value: str, function: Function = Function.INSULATION, **named: Any) -> dict[str, Any]:
        """A whole check: the step and three readings; its `proof`."""
        fields: dict[str, Any] = {"voltage": named.get("voltage", "500")} if function is Function.INSULATION else {}
        self.step("prove", point=point, function=function, **fields)
        told = [event for _ in range(3) for event in self.read(value, function, **named)]
        return next(event for event in told if event["event"] == "proof")

    def prove_insulation(self, voltage: str = "500") -> None:
        assert self.check("infinity", "1000", relation="gt", voltage=voltage)["outcome"] == "pass"
        assert self.check("zero", "0.00", voltage=voltage)["outcome"] == "pass"

    def prove_continuity(self) -> None:
        assert self.check("infinity", "20", Function.CONTINUITY, unit="Ohm", relation="gt")["outcome"] == "pass"
        assert self.check("zero", "0.02", Function.CONTINUITY, unit="Ohm", flags=(Flag.NULLED,))["outcome"] == "pass"
