"""How long the audit of a large logbook takes: integrity, full re-derivation and findings, on all cores.

    python tests/benchmarks/audit_benchmark.py [--readings 1000000] [--keep FILE]

Makes a logbook of that many readings through the real pipeline (bytes, driver, recorder, logbook; one raw entry a
reading, as a meter streams them), then audits it as `zerofirst audit` does, with its processes. Prints seconds,
readings a second, the machine, and the greatest memory of any process. The time to make the logbook does not count.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import sys
import tempfile
from pathlib import Path
from random import Random
from typing import Final

from drivers.codecs.meter_line import encode
from drivers.meter_line import DRIVER
from logger.audit.desk import look_across
from logger.clock import NS_PER_MS, NS_PER_S, ManualClock, SystemClock
from logger.job.model import Board, Circuit, EarthingSystem, JobKind, Plan, Supply
from logger.job.plan import plan_body
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.writer import Logbook
from logger.recorder.core import Recorder
from logger.rules.pack import load_pack
from logger.state import JobState
from logger.version import VERSION
from tui.audit_run import audit_all
from tui.audit_words import weights
from tui.drivers_here import InstalledDrivers

LINE: Final = "tcp:127.0.0.1:4000"
KEY: Final = OperatorKey.from_seed("zerofirst-operator/benchmark", bytes(32))
PERIOD_MS: Final = 20
COMMIT_EVERY: Final = 500
TAKE_EVERY: Final = 2_000
"""A result now and then, so that there is something to judge."""


def frame_of(n: int, chance: Random, *, infinity: bool = False, zero: bool = False) -> bytes:
    """One insulation reading with a meter's noise."""
    value = "1000" if infinity else "0.00" if zero else f"{chance.gauss(412, 2):.0f}"
    fields = {
        "n": str(n),
        "t": str(n * PERIOD_MS),
        "fn": "insulation",
        "rg": "1" if zero else "2",
        "r": "gt" if infinity else "eq",
        "v": value,
        "u": "MOhm",
        "vt": "500",
        "vm": str(520 + chance.randrange(5)),
        "f": "steady",
    }
    return encode("rd", fields)


def introduction() -> bytes:
    """Who the meter is and what it can do."""
    identity = {
        "serial": "0417",
        "boot": "b1",
        "maker": "Example Works",
        "model": "TM-2",
        "cal": "2030-01-31",
        "leads": "A",
    }
    ranges = [("1", "20", "0.01"), ("2", "1000", "1")]
    told = [
        encode("fn", {"fn": "insulation", "rg": mark, "u": "MOhm", "min": "0", "max": top, "res": step, "vt": "500"})
        for mark, top, step in ranges
    ]
    return encode("id", identity) + b"".join(told) + encode("end", {"of": "functions"})


class Maker:
    """Makes the logbook."""

    def __init__(self, path: Path) -> None:
        self.clock = ManualClock()
        plan = Plan(
            "Kiln shed rewire",
            JobKind.INSTALLATION,
            "iec",
            supply=Supply(EarthingSystem.TN_C_S, 230),  # type: ignore[arg-type]
            boards=(Board("DB1"),),
            circuits=tuple(Circuit(f"C{k}", "DB1", f"Circuit {k}") for k in range(1, 25)),
        )
        pack = load_pack("iec")
        first: list[tuple[Kind, dict[str, object]]] = [
            (Kind.JOB, {"plan": plan_body(plan)}),
            (Kind.RULES, {"pack": dict(pack.body)}),
        ]
        self.logbook = Logbook.create(path, first, self.clock, KEY)
        state = JobState()
        for number, (kind, body) in enumerate(first, 1):
            state.apply(number, "2027-03-01T09:00:00.000000Z", kind, body, 0)
        self.recorder = Recorder(self.logbook, state, self.clock, {LINE: InstalledDrivers().version_of("meter-line")})
        self.recorder.begin({"operator": "Ada", "host": "bench", "version": VERSION, "utc_offset_min": 0})
        self.conversation = DRIVER.converse(LINE, 50, lambda _serial, _boot: None)
        self.chance = Random(1)
        self.n = 0

    def hear(self, data: bytes) -> None:
        """One chunk comes."""
        self.clock.advance(PERIOD_MS / 1000)
        self.recorder.take_in(self.conversation.receive(data, self.clock.mono_ns()))
        self.recorder.drain()

    def readings(self, count: int, *, infinity: bool = False, zero: bool = False) -> None:
        """So many more readings."""
        for _ in range(count):
            self.n += 1
            self.hear(frame_of(self.n, self.chance, infinity=infinity, zero=zero))

    def prove(self) -> None:
        """Infinity and zero."""
        for point in ("infinity", "zero"):
            self.recorder.do({"do": "prove", "point": point, "function": "insulation", "voltage": "500"})
            self.readings(3, infinity=point == "infinity", zero=point == "zero")

    def make(self, count: int) -> None:
        """The whole logbook."""
        self.recorder.take_in(self.conversation.connected(self.clock.mono_ns()))
        self.hear(introduction())
        self.prove()
        while self.n < count:
            if self.n % TAKE_EVERY < COMMIT_EVERY:
                if self.clock.mono_ns() % (3 * 3600 * NS_PER_S) < 60 * NS_PER_S:
                    self.prove()
                self.recorder.do({"do": "take"})
                item = f"C{1 + self.n // TAKE_EVERY % 24}"
                self.recorder.do({"do": "select", "item": item, "test": "insulation", "voltage": "500"})
            self.readings(min(COMMIT_EVERY, count - self.n))
            if self.logbook.checkpoint_due(self.clock.mono_ns()):
                self.logbook.checkpoint()
            self.logbook.commit()
        self.logbook.append(Kind.STOPPED, {"operator": "Ada"})
        self.logbook.checkpoint()
        self.logbook.close()


def peak_mb() -> float:
    """Greatest memory of this process or any that it waited for, megabytes."""
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return max(own, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss) / 1024


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--keep", type=Path, help="where to leave the logbook (or find it)")
    arguments = parser.parse_args()
    say = sys.stdout.write
    clock = SystemClock()
    with tempfile.TemporaryDirectory() as folder:
        path = arguments.keep or Path(folder) / "large.db"
        if not path.exists():
            Maker(path).make(arguments.readings)
        began = clock.mono_ns()
        audits = audit_all([path])
        look_across(audits)
        took_ms = (clock.mono_ns() - began) / NS_PER_MS
        integrity, again = audits[0].outcome.integrity, audits[0].outcome.rederivation
        assert integrity is not None
        assert again is not None
        readings = integrity.kinds["reading"]
        say(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}\n")
        say(
            f"{readings} readings, {integrity.entries} entries, {path.stat().st_size / 1e6:.0f} MB: audited in "
            f"{took_ms / 1000:.1f} s ({readings / took_ms * 1000:.0f} readings a second), {peak_mb():.0f} MB at most\n"
        )
        say(f"faults {len(integrity.faults)}, differences {again.count}, findings {weights(audits[0].findings)}\n")


if __name__ == "__main__":
    main()
