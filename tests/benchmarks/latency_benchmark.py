"""Sixteen meters at fifty readings a second each on one session: nothing lost, and how long from arrival to disk.

    python tests/benchmarks/latency_benchmark.py [--meters 16] [--rate 50] [--seconds 20] [--with-app]

The meters are simulated ones on TCP in a process of their own; the session is the one that command line and app
use. The arrival is the host's monotonic time in the raw entry, the end is when the event was handed out, after its
commit.
`--with-app` draws the working screen at the same time, headless, at 120 by 40. Prints percentiles in milliseconds.
"""

from __future__ import annotations

import argparse
import asyncio
import dataclasses
import json
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path

from drivers import address
from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.thread import SimulatorThread
from logger.clock import NS_PER_MS, SystemClock
from logger.job.plan import load_plan
from logger.logbook.reader import LogbookReader
from logger.recorder.event import Event
from tui.cli.new import start_logbook
from tui.wiring import Session

CLOCK = SystemClock()
PLAN = Path(__file__).parents[2] / "drivers" / "simulator" / "sites" / "pottery-studio.plan.toml"


def serve(count: int) -> None:
    """The child: `count` meters, each under its own serial number; prints their URLs, ends with its input."""
    threads = []
    for number in range(count):
        site = load_site("pottery-studio")
        site = dataclasses.replace(site, meter=dataclasses.replace(site.meter, serial=f"{number:04}"))
        meter = SimulatedMeter(site, seed=number)
        threads.append(SimulatorThread(meter, "tcp"))
    sys.stdout.write(json.dumps([thread.url for thread in threads]) + "\n")
    sys.stdout.flush()
    sys.stdin.read()
    for thread in threads:
        thread.stop()


class Watch:
    """Notes when each reading's event was handed out."""

    def __init__(self) -> None:
        self.told_ns: dict[int, int] = {}
        self.ready = threading.Event()
        self.expected = 0
        self._ready: set[str] = set()
        self.lost = 0

    def hear(self, events: Sequence[Event]) -> None:
        now = CLOCK.mono_ns()
        for event in events:
            if event.name == "reading" and event.entry is not None:
                self.told_ns[event.entry] = now
            elif event.name == "ready":
                self._ready.add(str(event.fields["serial"]))
                if len(self._ready) == self.expected:
                    self.ready.set()
            elif event.name in {"lost", "gap"}:
                self.lost += int(event.fields["last"]) - int(event.fields["first"]) + 1


def latencies_ms(logbook: Path, told_ns: dict[int, int]) -> list[float]:
    """From the newest byte of a reading's raw entry to its event."""
    arrived: dict[int, int] = {}
    found = []
    with LogbookReader.open(logbook) as reader:
        for entry in reader.entries(kinds=("raw", "reading")):
            body = entry.data
            if entry.kind == "raw":
                arrived[entry.number] = int(body["chunks"][0][0] if "chunks" in body else body["mono_ns"])
            elif entry.number in told_ns and body["raw"]:
                found.append((told_ns[entry.number] - arrived[body["raw"][-1]]) / NS_PER_MS)
    return found


def record(folder: Path, urls: list[str], rate: int, seconds: float, with_app: bool) -> None:
    """One run, and what it came to."""
    logbook = folder / "bench.db"
    start_logbook(load_plan(PLAN), logbook)
    addresses = [address.parse(f"{url}?rate={rate}") for url in urls]
    watch = Watch()
    watch.expected = len(addresses)
    if with_app:
        asyncio.run(_with_app(logbook, addresses, watch, seconds))
    else:
        session = Session(logbook, addresses, watch.hear, CLOCK, end_on_failure=True)
        session.start()
        watch.ready.wait(20)
        threading.Event().wait(seconds)
        session.stop()
        session.wait()
    times = sorted(latencies_ms(logbook, watch.told_ns))
    at = statistics.quantiles(times, n=100)
    how = " with the app" if with_app else ""
    sys.stdout.write(
        f"{len(urls)} meters at {rate}/s{how}: {len(times)} readings, {watch.lost} lost, "
        f"arrival to disk p50 {at[49]:.1f} ms, p95 {at[94]:.1f} ms, p99 {at[98]:.1f} ms, most {times[-1]:.1f} ms\n"
    )


async def _with_app(logbook: Path, addresses: list[address.Address], watch: Watch, seconds: float) -> None:
    """The same session behind the working screen, drawn headless."""
    from tui.app import ZerofirstApp, let_go
    from tui.opening import open_logbook
    from tui.pump import Pump

    class HeardPump(Pump):
        def publish(self, events: Sequence[Event]) -> None:
            watch.hear(events)
            super().publish(events)

    app = ZerofirstApp(CLOCK, open_logbook(logbook, addresses, CLOCK, HeardPump()))
    async with app.run_test(size=(120, 40)):
        app.keep_memory()  # as it does on a terminal
        await CLOCK.sleep(seconds)
    let_go(app)


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--meters", type=int, default=16)
    parser.add_argument("--rate", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--with-app", action="store_true")
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.serve:
        serve(arguments.meters)
        return
    child = subprocess.Popen(
        [sys.executable, __file__, "--serve", "--meters", str(arguments.meters)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdin is not None
    assert child.stdout is not None
    with tempfile.TemporaryDirectory() as folder, child:
        urls = json.loads(child.stdout.readline())
        record(Path(folder), urls, arguments.rate, arguments.seconds, arguments.with_app)
        child.stdin.close()


if __name__ == "__main__":
    main()
