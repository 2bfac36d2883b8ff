"""Draws the README's picture from the app itself, on the simulated studio over a real line.

    python tests/screens/make_picture.py

Writes `fixtures/pictures/working-screen.svg`. Nothing in it is painted: the meter is proven, a switch is turned, a
reading is on the screen. Run it again when the screen changes.
"""

from __future__ import annotations

import asyncio
import re
import sys
import tempfile
from pathlib import Path
from typing import Any

from textual.pilot import Pilot

from drivers import address
from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.thread import SimulatorThread
from logger.clock import SystemClock
from logger.job.plan import load_plan
from tui.app import ZerofirstApp, let_go
from tui.cli.new import start_logbook
from tui.opening import open_logbook
from tui.pump import Pump
from tui.wiring import Session

CLOCK = SystemClock()
PICTURE = Path(__file__).parents[2] / "fixtures" / "pictures" / "working-screen.svg"


async def seconds(pilot: Pilot[Any], count: float) -> None:
    """Let the meter and the screen go on."""
    for _ in range(round(count * 10)):
        await CLOCK.sleep(0.1)
        await pilot.pause(0)


async def draw(app: ZerofirstApp, session: Session, meter: SimulatorThread) -> str:
    """Prove the meter, turn a switch, measure, and hand back the screen."""
    async with app.run_test(size=(128, 30)) as pilot:
        await seconds(pilot, 2)
        for point, hands in (("infinity", "leads open"), ("zero", "leads short")):
            meter.perform(hands)
            await seconds(pilot, 1.5)
            session.submit({"do": "prove", "point": point, "function": "insulation", "voltage": 500})
            await seconds(pilot, 1)
        session.submit({"do": "alter", "what": "LK1", "to": "out", "why": "insulation of the neutral"})
        meter.perform("link LK1 out")
        session.submit({"do": "set", "device": "supply", "position": "off"})
        session.submit({"do": "set", "device": "S3", "position": "2"})
        meter.perform("set S3 2")
        session.submit({"do": "select", "item": "C3", "test": "insulation", "voltage": 500})
        meter.perform("leads C3 L+N/PE")
        session.submit({"do": "confirm", "caution": "insulation"})
        await pilot.press("u")
        await seconds(pilot, 4)
        return without_web_fonts(app.export_screenshot(title="zerofirst"))


def without_web_fonts(picture: str) -> str:
    """The picture with a font of the reader's own: a README must not make anybody's browser fetch one."""
    picture = re.sub(r"@font-face \{.*?\}\s*", "", picture, flags=re.DOTALL)
    return picture.replace("Fira Code", "DejaVu Sans Mono")


def main() -> None:
    """Draw it."""
    with (
        tempfile.TemporaryDirectory() as folder,
        SimulatorThread(SimulatedMeter(load_site("pottery-studio"), 7)) as meter,
    ):
        logbook = Path(folder) / "studio.db"
        start_logbook(load_plan(load_site("pottery-studio").plan_path), logbook)
        opened = open_logbook(logbook, [address.parse(meter.url)], CLOCK, Pump())
        assert opened.session is not None
        app = ZerofirstApp(CLOCK, opened)
        picture = asyncio.run(draw(app, opened.session, meter))
        let_go(app)
    PICTURE.parent.mkdir(exist_ok=True)
    PICTURE.write_text(picture)
    sys.stdout.write(f"{PICTURE}\n")


if __name__ == "__main__":
    main()
