"""Makes the recorded day that is kept for each format of the logbook, once, when that format is first released.

    python tests/audit/make_working_days.py FOLDER

Never run again for a released one: it is there to be derived again by every later version.
"""

from __future__ import annotations

import asyncio
import sys
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Final

from working_day import Day, new_logbook, wires_for

from logger.clock import ManualClock
from logger.logbook.schema import FORMAT

VERSION: Final = "0.1.0.dev0"
"""Who recorded it: a version before the first that was released."""


async def short_day(day: Day) -> None:
    """A little of everything: proofs, results, gaps, damage, a lapse, a failed check, a keyed reading, a line lost."""
    await day.wait(1)
    await day.prove("insulation", "500")
    await day.take("C1", "insulation", "insulation", 2, voltage="500")
    day.hands("line lost-frame 2")
    await day.wait(1)
    day.hands("line bit-flip 1")
    day.hands("line duplicate 1")
    await day.wait(1)
    day.hands("drop 1")
    await day.wait(3)
    day.hands("change leads")
    await day.wait(0.5)
    await day.prove("continuity")
    await day.do("prove", point="infinity", function="continuity")  # the leads are joined: it fails
    await day.prove("continuity")
    await day.take("E1", "earth-continuity", "continuity", 1)
    await day.do("alter", what="LK1", to="out", why="it would join neutral to earth under test")
    await day.do("select", item="C2", test="insulation", voltage="500")
    await day.do("key", value="380", unit="MOhm", function="insulation", voltage="500")
    await day.do("note", text="the wheels' motors are unplugged: Ω ∞ ≥")


def make(folder: Path) -> Path:
    """`working-day-N.logbook`; yields its path."""
    path = folder / f"working-day-{FORMAT}.logbook"
    clock = ManualClock(datetime(2027, 3, 1, 9, tzinfo=UTC))
    new_logbook(path, clock)
    for seed in (1, 2):
        day = Day(path, clock, wires_for(clock, seed), Random(seed), VERSION)
        asyncio.run(day.run(short_day))
        clock.advance(20)
    return path


if __name__ == "__main__":
    make(Path(sys.argv[1]))
