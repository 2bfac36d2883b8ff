"""A working day that never was: simulated meters on wires in memory, an operator with a seed, a logbook in earnest.

The line runner, the drivers, the recorder and the logbook are the real ones; only time and the wire are made. What a
busy machine does is in it: timers that are looked at late, batches that are taken in together, clocks that are set.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any, Final

from drivers.api import Conversation, Resume
from drivers.line import run_line
from drivers.links.memory import Fate, MemoryLine, at_random, whole
from drivers.meter_line import DRIVER
from drivers.roll import Roll
from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from logger.clock import ManualClock
from logger.errors import InstrumentFailed
from logger.happening import Happening, Read
from logger.job.model import Plan
from logger.job.plan import plan_body
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook
from logger.recorder.core import Recorder
from logger.recorder.event import Event
from logger.recorder.resume import highest_numbers
from logger.rules.pack import load_pack
from logger.version import VERSION
from tui.drivers_here import InstalledDrivers
from tui.wiring import fold

STUDIO: Final = "pottery-studio"
STORE: Final = "tool-store"

TURNS: Final = 8
"""How often the loop is let round after each step of the clock."""

TURNS_TO_STOP: Final = 40
"""How often they are let round at the end, until every line has let go."""

KEY: Final = OperatorKey.from_seed("zerofirst-operator/ada", bytes(range(32)))
DRIVER_NAME: Final = InstalledDrivers().version_of("meter-line")


def new_logbook(path: Path, clock: ManualClock, site: str = STUDIO, plan: Plan | None = None) -> None:
    plan = plan or load_site(site).plan
    pack = load_pack(plan.rules)
    first: list[tuple[Kind, dict[str, Any]]] = [
        (Kind.JOB, {"title": plan.title, "kind": plan.kind, "plan": plan_body(plan)}),
        (Kind.RULES, {"pack": pack.body}),
    ]
    Logbook.create(path, first, clock, KEY).close()


SOUND: Final[tuple[Fate, Fate]] = (whole, whole)


class Wire:
    """One meter on one wire in memory."""

    def __init__(self, url: str, meter: SimulatedMeter, clock: ManualClock, fates: tuple[Fate, Fate] = SOUND) -> None:
        self.url = url
        self.meter = meter
        self.clock = clock
        self.fates = fates
        self.plug_anew()
        self.conversation: Any = None
        self._away = False

    def plug_anew(self) -> None:
        self.line = MemoryLine(self.clock, *self.fates)

    async def hear(self) -> None:
        while True:
            try:
                chunk = await self.line.meter_end.receive()
            except InstrumentFailed:  # the day is over
                return
            self.meter.receive(chunk.data, self.clock.mono_ns())

    async def talk(self) -> None:
        now_ns = self.clock.mono_ns()
        self.meter.tick(now_ns)
        data = self.meter.outgoing()
        away = self.meter.away_until_ns(now_ns) is not None
        if data and not away:
            with contextlib.suppress(InstrumentFailed):
                await self.line.meter_end.send(data)
        if away and not self._away:
            self.line.snap()
            self.line.refuse()
        if self._away and not away:
            self.line.accept()
        self._away = away


class Day:
    """One capture session, driven by a script. `heard`: every event told so far."""

    def __init__(
        self, path: Path, clock: ManualClock, wires: list[Wire], chance: Random, version: str = VERSION
    ) -> None:
        self.clock = clock
        self.chance = chance
        self.wires = wires
        self.heard: list[Event] = []
        self.sealing = True
        self._inbox: list[list[Happening]] = []
        self._logbook = Logbook.open(path, clock, KEY)
        with LogbookReader.open(path) as reader:
            state = fold(reader, clock)
            self._highest = highest_numbers(reader, reader.size)
        self.recorder = Recorder(self._logbook, state, clock, {wire.url: DRIVER_NAME for wire in wires})
        opened = {"operator": "Ada", "host": "bench", "version": version, "utc_offset_min": 0}
        self.recorder.begin(opened)

    async def run(self, script: Callable[[Day], Coroutine[Any, Any, None]], *, killed: bool = False) -> None:
        """From beginning to end. `killed`: no end is recorded."""
        stop = asyncio.Event()
        tasks = []
        roll = Roll(lambda _sentence: None)
        for wire in self.wires:
            wire.conversation = DRIVER.converse(wire.url, 10, lambda s, b: self._highest.get((s, b)))
            running = run_line(
                wire.conversation,
                wire.line.host_end,
                self.clock,
                roll.listen(wire.url, lambda happenings: self._inbox.append(list(happenings)), None),
                stop,
                Random(self.chance.random()),
                line=wire.url,
                first_try_s=1e6,
            )
            tasks += [asyncio.ensure_future(running), asyncio.ensure_future(wire.hear())]
        try:
            await script(self)
        finally:
            stop.set()
            for _ in range(TURNS_TO_STOP):
                await self._settle()
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._take_in()
            if not killed:
                self.recorder.give_up_gaps()
            closed = self.recorder.state.closed_at is not None
            if closed and self.sealing:
                self._logbook.seal()
            if not closed and not killed:
                self._logbook.append(Kind.STOPPED, {"operator": "Ada"})
                self._logbook.checkpoint()
            self._logbook.close()

    async def wait(self, seconds: float) -> None:
        """Let time pass, unevenly."""
        left_s = seconds
        while left_s > 0:
            step_s = min(left_s, self.chance.choice((0.01, 0.03, 0.03, 0.05, 0.12)))
            left_s -= step_s
            self.clock.advance(step_s)
            for wire in self.wires:
                await wire.talk()
            await self._settle()
            if self.chance.random() < 0.6:
                self._take_in()
                self.recorder.tick()
                self._commit()

    async def do(self, name: str, **fields: Any) -> dict[str, Any]:
        """Do a step; its answer, or {} while a check runs."""
        while self.recorder.waits_for({"do": name}):
            await self.wait(0.2)
        self._take_in()
        before = len(self.heard)
        self.recorder.do({"do": name, "id": "s", **fields})
        self._commit()
        if name == "prove":
            while self.recorder.check is not None:
                await self.wait(0.2)
        return next((e.record() for e in self.heard[before:] if e.fields.get("id") == "s"), {})

    def hands(self, command: str, wire: int = 0) -> str:
        """Move the simulated hands."""
        return self.wires[wire].meter.command(command, self.clock.mono_ns())

    async def prove(self, function: str, voltage: str | None = None, wire: int = 0) -> None:
        """Infinity and zero on a function and voltage."""
        at = {"voltage": voltage} if voltage else {}
        meter = {"meter": self.wires[wire].meter.site.meter.serial}
        self.hands(f"function {function} {voltage or ''}".strip(), wire)
        for point, placed in (("infinity", "leads open"), ("zero", "leads short")):
            self.hands(placed, wire)
            if point == "zero" and function == "continuity":
                self.hands("null", wire)
            await self.wait(0.9)
            await self.do("prove", point=point, function=function, **at, **meter)

    async def take(self, item: str, test: str, function: str, wait_s: float = 2.0, **fields: Any) -> dict[str, Any]:
        """Select, put the leads on, wait, take."""
        self.hands(f"function {function} {fields.get('voltage', '')}".strip())
        selected = await self.do("select", item=item, test=test, **fields)
        self.hands(f"leads {item} {selected.get('between', '')}".strip())
        await self.wait(wait_s)
        return await self.do("take")

    async def _settle(self) -> None:
        for _ in range(TURNS):
            await asyncio.sleep(0)

    def _take_in(self) -> None:
        batches, self._inbox = self._inbox, []
        while batches:  # the inbox is emptied in one batch, or in several
            size = self.chance.randint(1, len(batches))
            together = [happening for batch in batches[:size] for happening in batch]
            self._remember(together)
            self.recorder.take_in(together)
            del batches[:size]
        self.heard += self.recorder.drain()

    def _remember(self, happenings: list[Happening]) -> None:
        for happening in happenings:
            if isinstance(happening, Read):
                name = (happening.serial, happening.boot)
                self._highest[name] = max(self._highest.get(name, 0), happening.reading.n)

    def _commit(self) -> None:
        self.heard += self.recorder.drain()
        if self.recorder.state.closed_at is None and self._logbook.checkpoint_due(self.clock.mono_ns()):
            self._logbook.checkpoint()
            self._logbook.commit()


def wires_for(
    clock: ManualClock, seed: int, count: int = 1, *, hurt: bool = False, alike: bool = False, site: str = STUDIO
) -> list[Wire]:
    """Meters of one site; beyond the first with serials of their own.

    Args:
        hurt: wires that lose and double what is sent along them, meters that remember little, or only talk.
        alike: all say that they are the same meter: the second line is refused.
    """
    chance = Random(f"{seed} wires")
    wires = []
    for number in range(count):
        own: dict[str, Any] = {"serial": "0417" if alike else f"04{17 + number}"}
        if hurt:
            own["memory"] = chance.choice((5, 40, 1000))
            own["talks_only"] = chance.random() < 0.2
        whole = load_site(site)
        whole = replace(whole, meter=replace(whole.meter, **own))
        meter = SimulatedMeter(whole, seed=seed + 1000 * number, start_ns=clock.mono_ns())
        fates = (at_random(chance, 0.03, 0.02, 100), at_random(chance, 0.3)) if hurt else SOUND
        wires.append(Wire(f"memory:{number}", meter, clock, fates))
    return wires


FAULTS: Final = (
    "line bit-flip 3",
    "line lost-byte 2",
    "line duplicate 2",
    "line lost-frame 3",
    "line lost-frame 40",
    "line noise 1",
    "line split 2",
    "line merge 1",
    "line echo 2",
    "line silence 4",
    "line silence 2",
    "line reboot",
    "drop 0.3",
    "drop 2",
    "drop 9",
    "drop 70",
    "reboot",
    "change leads",
    "fault relay stuck",
    "battery 15",
    "battery 80",
    "store",
)

ITEMS: Final[tuple[tuple[str, str, str, dict[str, str]], ...]] = (
    ("E1", "earth-continuity", "continuity", {}),
    ("C1", "earth-continuity", "continuity", {}),
    ("C2", "earth-continuity", "continuity", {}),
    ("C1", "insulation", "insulation", {"voltage": "500"}),
    ("C2", "insulation", "insulation", {"voltage": "500"}),
    ("C3", "insulation", "insulation", {"voltage": "500", "between": "L/PE"}),
    ("C3", "insulation", "insulation", {"voltage": "250"}),
)


async def one_bad_day(day: Day, actions: int) -> None:
    """What somebody might do on a bad day."""
    chance = day.chance
    await day.wait(1.5)
    for _ in range(actions):
        await random_action(day, chance.random())


async def random_action(day: Day, dice: float) -> None:
    chance = day.chance
    wire = chance.randrange(len(day.wires))
    if dice < 0.15:
        await day.prove("continuity", wire=wire)
    elif dice < 0.30:
        await day.prove("insulation", "500", wire=wire)
    elif dice < 0.55:
        item, test, function, fields = chance.choice(ITEMS)
        await day.take(item, test, function, chance.choice((0.5, 1.5, 3.0)), **fields)
    elif dice < 0.80:
        day.hands(chance.choice(FAULTS), wire)
        await day.wait(chance.choice((0.2, 1.0, 3.5)))
    elif dice < 0.86:
        await day.wait(chance.choice((2, 6, 12)))
    elif dice < 0.90:
        await day.do("prove", point="zero", function="insulation", voltage="250")
    elif dice < 0.93:
        day.clock.jump_wall(chance.choice((-3600, -2, 1, 90, 3600, 86400)))
    elif dice < 0.95:
        await keyed(day)
    elif dice < 0.98:
        await live_tests(day)
    else:
        await small_steps(day)


async def a_good_day(day: Day) -> None:
    """The studio's job as it should be done: proven, in order, at a walking pace, put back, bracketed, closed."""
    await day.wait(2)
    await day.prove("continuity")
    await day.prove("insulation", "500")
    for item in ("E1", "C1", "C2", "C3"):
        await day.take(item, "earth-continuity", "continuity", 6)
    day.hands("mend C2")
    day.hands("link LK1 out")
    await day.do("alter", what="LK1", to="out", why="it would join neutral to earth under test")
    day.hands("set K1 closed")
    await day.do("set", device="K1", position="closed")
    for item in ("C1", "C2", "C3"):
        await day.take(item, "insulation", "insulation", 8, voltage="500")
    day.hands("link LK1 in")
    await day.do("restore", what="LK1")
    await day.prove("continuity")
    await day.prove("insulation", "500")


def good_day(path: Path, seed: int = 1, *more: Callable[[Day], Coroutine[Any, Any, None]]) -> Day:
    """A logbook of one good day, closed and sealed. `more`: what is done after the results, before the last checks."""
    clock = ManualClock(datetime(2027, 3, 1, 9, seed % 60, tzinfo=UTC))
    new_logbook(path, clock)
    day = Day(path, clock, wires_for(clock, seed), Random(seed))

    async def script(day: Day) -> None:
        await a_good_day(day)
        for each in more:
            await each(day)
        if not more:
            await day.do("close", seal=True)

    asyncio.run(day.run(script))
    return day


async def keyed(day: Day) -> None:
    await day.do("select", item="C1", test="insulation", voltage="500")
    for value in ("412", "inf", "0.00"):
        await day.do("key", value=value, unit="MOhm", function="insulation", voltage="500")
    await day.do("take")


async def live_tests(day: Day) -> None:
    """Tests that need the supply, on a meter that its resistance function proves; and what a person judges."""
    chance = day.chance
    day.hands("supply on")
    await day.prove("continuity")
    for test, fields in (
        ("earth-loop", {}),
        ("rcd-time", {"setting": {"multiple": chance.choice((1, 5)), "phase": 0}}),
        ("rcd-current", {}),
    ):
        day.hands(f"rcd 30 {chance.choice((1, 5))}")
        day.hands(f"function {test}")
        await day.do("select", item="C2", test=test, override="the supply was on already", **fields)
        day.hands("leads C2")
        await day.wait(1)
        await day.do("take")
    day.hands("supply off")
    day.hands("function continuity")
    day.hands("leads short")
    await day.wait(1)
    await day.do("prove", point="zero", function="continuity")
    await day.do("prove", point="reference", function="continuity", expect="0.00", unit="Ohm")
    await day.do("select", item="C1", test="polarity")
    await day.do("judge", outcome=chance.choice(("yes", "no")), why="seen at every point")


async def at_the_store(day: Day, actions: int) -> None:
    """Appliances, one after another, with whatever happens on the way."""
    await day.wait(1.5)
    await day.prove("continuity")
    await day.prove("insulation", "500")
    for number in range(actions):
        item = day.chance.choice(("T-014", "T-015", "T-021"))
        await day.do("select", item=item, test="visual")
        await day.do("judge", outcome="yes")
        await day.take(item, "earth-continuity", "continuity", 1)
        await day.take(item, "insulation", "insulation", 1.5, voltage="500")
        if number % 3 == 2:
            day.hands(day.chance.choice(FAULTS))
            await day.wait(3)


async def small_steps(day: Day) -> None:
    await day.do("alter", what="LK1", to="out", why="under test")
    await day.do("set", device="Q1", position=day.chance.choice(("on", "off")))
    await day.do("note", text="the wheel motors are unplugged")
    await day.do("restore", what="LK1")
    await day.do("skip", item="C3", test="earth-continuity", why="behind a wall")
    await day.do("close", seal=False)


def bad_days(path: Path, seed: int, sessions: int = 2, actions: int = 12) -> None:
    """A logbook of several sessions at random, all honest."""
    chance = Random(seed)
    clock = ManualClock(datetime(2027, 3, 1, chance.choice((9, 23)), chance.randrange(60), tzinfo=UTC))
    site = STORE if seed % 8 == 7 else STUDIO
    new_logbook(path, clock, site)
    count = 2 if seed % 16 == 9 else chance.choice((1, 1, 2))
    wires = wires_for(clock, seed, count, hurt=seed % 3 == 2, alike=seed % 16 == 9, site=site)
    script = at_the_store if site == STORE else one_bad_day
    for _ in range(sessions):
        day = Day(path, clock, wires, chance)
        asyncio.run(day.run(lambda day: script(day, actions), killed=chance.random() < 0.3))
        if day.recorder.state.closed_at is not None:
            break
        clock.advance(chance.choice((0.5, 20, 300, 4000)))
        for wire in wires:
            wire.plug_anew()


class DriversAtHand(InstalledDrivers):
    """As installed, and ours on the wires in memory, whose names are no URLs."""

    def converse(self, driver: str, line: str, resume: Resume) -> Conversation:
        return super().converse(driver or "meter-line", line, resume)
