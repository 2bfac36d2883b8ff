"""An air with our simulated meter in it, in a process of its own: the recorder shares no interpreter with it.

    python air_child.py SPEED SCRIPT     # SCRIPT: JSON, a list of [at_s, kind, amount]: the faults of the line, by time

Prints the bus to look on and the meter's URL; then does the operator's commands, one a line, and answers each.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from private_bus import VARIABLE, stop_private_bus

AIR_BYTES_PER_S = 100_000
"""What a good Bluetooth LE link carries."""

MEMORY_EVERY_NS = 500_000_000
"""Between two portions of a hundred readings from the meter's memory: a small part of what the air carries, since the
machine must keep up with all of it several times as fast."""

FOLDER = Path(__file__).parent


class Child:
    """The child, from outside. `url` is the meter's."""

    def __init__(self, speed: float, script: list[tuple[float, str, float]]) -> None:
        environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(FOLDER), str(FOLDER.parents[1])])}
        self._process = subprocess.Popen(
            [sys.executable, __file__, str(speed), json.dumps(script)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        )
        self.bus, self.url = self._read().split(" ")

    def command(self, text: str) -> str:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{text}\n")
        self._process.stdin.flush()
        return self._read()

    def _read(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the child died"
        return line.strip()

    def close(self) -> None:
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()
        self._process.wait(10)


@contextlib.contextmanager
def air_in_a_child(speed: float, script: list[tuple[float, str, float]]) -> Iterator[Child]:
    child = Child(speed, script)
    try:
        yield child
    finally:
        child.close()


def main() -> None:
    from ether import ether
    from flight import FastClock

    from drivers.simulator import meter
    from drivers.simulator.catalogue import load_site
    from drivers.simulator.meter import SimulatedMeter
    from drivers.simulator.site import ScriptedFault
    from drivers.simulator.thread import SimulatorThread

    setattr(meter, "STORED_EVERY_NS", MEMORY_EVERY_NS)  # noqa: B010 - a constant, for all but this process
    speed, script = float(sys.argv[1]), json.loads(sys.argv[2])
    site = dataclasses.replace(load_site("pottery-studio"), script=tuple(ScriptedFault(*fault) for fault in script))
    with ether() as sky:
        sky.bluez.bytes_per_s = AIR_BYTES_PER_S * speed
        os.environ[VARIABLE] = sky.bus.address
        with SimulatorThread(SimulatedMeter(site, seed=11), "ble", clock=FastClock(speed)) as simulator:
            sys.stdout.write(f"{sky.bus.address} {simulator.url}\n")
            sys.stdout.flush()
            for line in sys.stdin:
                told = simulator.perform(line.strip()).replace("\n", "; ")
                sys.stdout.write(f"{told}\n")
                sys.stdout.flush()
    stop_private_bus()


if __name__ == "__main__":
    main()
