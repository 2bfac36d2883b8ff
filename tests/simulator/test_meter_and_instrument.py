"""The simulated meter and our own conversation, back to back: every number is held once, whatever the line does."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import pytest

from drivers.meter_line import DRIVER
from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.site import ScriptedFault, Site
from logger.clock import NS_PER_MS
from logger.happening import Damaged, Filled, Happening, Lost, Read, Ready, Told

STUDIO = load_site("pottery-studio")
STEP_NS = 5 * NS_PER_MS

Kind = TypeVar("Kind", bound=Happening)


class Pair:
    """A meter and a host, joined by a line that carries everything at once."""

    def __init__(self, site: Site, rate: int = 10, seed: int = 3) -> None:
        self.meter = SimulatedMeter(site, seed)
        self.host = DRIVER.converse("line", rate, lambda _serial, _boot: None)
        self.happened: list[Happening] = []
        self.now_ns = 0
        self.joined = False

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 1e9) // STEP_NS):
            self.now_ns += STEP_NS
            self._plug()
            self.meter.tick(self.now_ns)
            self.happened += self.host.tick(self.now_ns)
            to_meter, to_host = self.host.outgoing(), self.meter.outgoing()
            if self.joined:
                if to_meter:
                    self.meter.receive(to_meter, self.now_ns)
                if to_host:
                    self.happened += self.host.receive(to_host, self.now_ns)

    def _plug(self) -> None:
        away = self.meter.away_until_ns(self.now_ns) is not None
        if away and self.joined:
            self.happened += self.host.disconnected(self.now_ns, "pulled")
        if not away and not self.joined:
            self.happened += self.host.connected(self.now_ns)
        self.joined = not away

    def do(self, command: str) -> None:
        self.meter.perform(command, self.now_ns)

    def all_of(self, kind: type[Kind]) -> list[Kind]:
        return [each for each in self.happened if isinstance(each, kind)]

    def held(self) -> list[int]:
        """Every number held of the present boot, in order; a number held twice is there twice."""
        boot = self.meter.boot
        read = [each.reading.n for each in self.all_of(Read) if each.boot == boot and not each.repeat]
        return sorted(read + [each.event.n for each in self.all_of(Told) if each.boot == boot])


def test_it_becomes_ready_with_every_range() -> None:
    pair = Pair(STUDIO)
    pair.run(2)
    (ready,) = pair.all_of(Ready)
    assert ready.identity.serial == "0417"
    assert {found.voltages for found in ready.ranges} == {(), ("250", "500", "1000")}
    assert len(pair.all_of(Read)) >= 15
    assert pair.all_of(Damaged) == []


@pytest.mark.parametrize("kind", ["bit-flip", "lost-byte", "duplicate", "lost-frame", "noise", "split", "merge"])
def test_a_bad_line_costs_no_reading(kind: str) -> None:
    pair = Pair(STUDIO)
    pair.run(1)
    pair.do(f"line {kind} 6")
    pair.run(4)
    pair.do("change leads")
    pair.do(f"line {kind} 2")
    pair.run(4)
    held = pair.held()
    assert held == list(range(1, max(held) + 1))
    assert max(held) >= pair.meter.n - 2
    assert pair.all_of(Lost) == []
    assert bool(pair.all_of(Filled)) is (kind in ("bit-flip", "lost-byte", "lost-frame"))


@pytest.mark.parametrize("fault", ["silence 2", "drop 5", "silence 8"])
def test_what_was_measured_while_the_line_was_away_is_filled_from_memory(fault: str) -> None:
    pair = Pair(STUDIO)
    pair.run(2)
    pair.do(f"line {fault}" if fault.startswith("silence") else fault)
    pair.run(14)
    held = pair.held()
    assert held == list(range(1, max(held) + 1))
    assert max(held) >= pair.meter.n - 2
    assert pair.all_of(Lost) == []


def test_what_a_small_memory_no_longer_has_is_told_as_lost() -> None:
    pair = Pair(replace(STUDIO, meter=replace(STUDIO.meter, memory=20)))
    pair.run(2)
    pair.do("drop 6")
    pair.run(12)
    lost = [n for each in pair.all_of(Lost) for n in range(each.low, each.high + 1)]
    assert lost
    assert sorted(pair.held() + lost) == list(range(1, pair.meter.n + 1))


def test_a_scripted_day_with_a_reboot() -> None:
    script = (
        ScriptedFault(2, "bit-flip", 3),
        ScriptedFault(4, "disconnect", 3),
        ScriptedFault(9, "reboot", 1),
        ScriptedFault(11, "lost-frame", 5),
        ScriptedFault(13, "echo", 2),
    )
    pair = Pair(replace(STUDIO, script=script))
    pair.run(20)
    boots = list(dict.fromkeys(each.boot for each in pair.all_of(Read)))
    assert len(boots) == 2
    assert boots[-1] == pair.meter.boot
    held = pair.held()
    assert held == list(range(1, max(held) + 1))


def test_a_meter_that_only_talks_is_read_all_the_same() -> None:
    pair = Pair(replace(STUDIO, meter=replace(STUDIO.meter, talks_only=True)))
    pair.run(15)
    (ready,) = pair.all_of(Ready)
    assert ready.ranges
    assert len(pair.held()) >= 28
