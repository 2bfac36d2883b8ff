"""Backfill over a link that stalls for seconds and carries little: what the meter still has is not given up.

Sans-IO: the conversation and our simulated meter, and between them a queue that lets through so many bytes a second, as
a radio link does. No clock but the one that is counted here.
"""

from __future__ import annotations

import pytest
from stranger import frame

from drivers.backfill import QUEUE_PATIENCE_NS
from drivers.instrument import Instrument
from drivers.simulator import meter as simulated
from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from logger.clock import NS_PER_MS, NS_PER_S
from logger.happening import Filled, Gap, Happening, Identified, Lost, Read

STEP_NS = 10 * NS_PER_MS
AIR_BYTES_PER_S = 100_000
RATE = 200


def identity() -> bytes:
    return frame(
        "id", proto=1, maker="Example Works", model="B", serial="S-77", fw="1", boot="aa", cal="", batt=80, leads="A"
    )


def reading(n: int) -> bytes:
    return frame("rd", n=n, t=n * 5, fn="insulation", r="eq", v="412", u="MOhm", vt="500", f="steady")


class SlowAir:
    """A host and a meter, and the queue from the meter to the host."""

    def __init__(self) -> None:
        self.meter = SimulatedMeter(load_site("pottery-studio"), seed=1)
        self.host = Instrument("ble:x", RATE, lambda _serial, _boot: None)
        self.happened: list[Happening] = []
        self.now_ns = 0
        self._queue = bytearray()
        self._linked = False

    def link(self, linked: bool) -> None:
        self._linked = linked
        self._queue.clear()
        change = self.host.connected(self.now_ns) if linked else self.host.disconnected(self.now_ns, "out of reach")
        self.happened += change

    def pass_time(self, seconds: float, *, stalled: bool = False) -> None:
        for _ in range(round(seconds * NS_PER_S / STEP_NS)):
            self.now_ns += STEP_NS
            self.meter.tick(self.now_ns)
            sent = self.meter.outgoing()
            if self._linked:
                self._queue += sent
                if not stalled:
                    share = AIR_BYTES_PER_S * STEP_NS // NS_PER_S
                    self.happened += self.host.receive(bytes(self._queue[:share]), self.now_ns)
                    del self._queue[:share]
            self.happened += self.host.tick(self.now_ns)
            said = self.host.outgoing()
            if self._linked:
                self.meter.receive(said, self.now_ns)

    def numbers(self, kind: type[Gap | Filled | Lost]) -> int:
        return sum(h.high - h.low + 1 for h in self.happened if isinstance(h, kind))


@pytest.mark.parametrize("stall_s", [0.0, 1.5, 2.5])
def test_a_stall_while_a_gap_is_filled_costs_time_and_no_reading(
    monkeypatch: pytest.MonkeyPatch, stall_s: float
) -> None:
    monkeypatch.setattr(simulated, "STORED_EVERY_NS", 200 * NS_PER_MS)
    air = SlowAir()
    air.link(True)
    air.pass_time(1)
    air.link(False)
    air.pass_time(20)
    air.link(True)
    air.pass_time(1)
    air.pass_time(stall_s, stalled=True)
    air.pass_time(25)
    assert air.numbers(Gap) > 19 * RATE
    assert air.numbers(Filled) == air.numbers(Gap)
    assert air.numbers(Lost) == 0
    repeats = sum(h.repeat for h in air.happened if isinstance(h, Read))
    assert repeats <= 2000  # asked for twice at most, for the one answer that the stall held up


def test_a_drop_out_in_the_middle_of_an_answer_costs_no_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """The meter does not notice that its host was away, and goes on with the answer that it was at."""
    monkeypatch.setattr(simulated, "STORED_EVERY_NS", 200 * NS_PER_MS)
    air = SlowAir()
    air.link(True)
    air.pass_time(1)
    air.link(False)
    air.pass_time(20)
    for _ in range(3):
        air.link(True)
        air.pass_time(1.3)
        air.link(False)
        air.pass_time(0.7)
    air.link(True)
    air.pass_time(30)
    assert air.numbers(Filled) == air.numbers(Gap) > 19 * RATE
    assert air.numbers(Lost) == 0


def test_old_numbers_without_end_do_not_put_it_off_without_end() -> None:
    host = Instrument("ble:x", RATE, lambda _serial, _boot: None)
    happened: list[Happening] = [*host.connected(0)]
    happened += host.receive(identity() + reading(1) + reading(2) + reading(9), 0)
    now_ns = 0
    while not any(isinstance(h, Lost) for h in happened):
        now_ns += NS_PER_S // 2
        assert now_ns < QUEUE_PATIENCE_NS + 10 * NS_PER_S
        happened += host.receive(reading(1), now_ns)
        happened += host.tick(now_ns)
    assert now_ns >= QUEUE_PATIENCE_NS
    assert any(isinstance(h, Identified) for h in happened)
