"""`demo`: the whole job on a simulated site, with a simulated meter on a real serial line.

On a terminal: the app, and the person moves the simulated leads. With `--auto`, or without a terminal: it drives
itself to the end and prints what happens. Nothing of it is canned: every byte passes the line, and every figure is
measured on the simulated site.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from drivers.simulator.thread import SimulatorThread

SITE: Final = "pottery-studio"
DEFAULT_SEED: Final = 7
NAMES_AT_MOST: Final = 1000
"""How many logbooks of the demo one folder may hold before another folder is asked for."""


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`demo [--auto] [--seed N] [--dir DIR]`."""
    what = "the whole job on a simulated site with a simulated meter on a real line"
    parser = commands.add_parser("demo", help=what, description=what)
    parser.add_argument("--auto", action="store_true", help="drive itself to the end, without a screen")
    parser.add_argument("--seed", type=int, default=DEFAULT_SEED, help="of the meter's noise (default: %(default)s)")
    parser.add_argument("--dir", type=Path, help="where the logbook is left (default: a fresh temporary folder)")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run the demo; 0 when the job came to its end."""
    from drivers import address
    from logger.clock import SystemClock
    from tui.cli.output import say

    logbook = _fresh_logbook(arguments.dir)
    with _meter_on_a_line(arguments.seed) as meter:
        if not arguments.auto and all(stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr)):
            from tui.app import run_app

            return run_app(logbook, [address.parse(meter.url)], SystemClock(), simulator=meter)
        from tui.rehearsal import perform

        say(f"A simulated meter on {meter.url}, the logbook in {logbook}")
        code = perform(logbook, meter, SystemClock(), say)
    say(f"Look at it with: zerofirst show {logbook}")
    say(f"Check it with:   zerofirst audit {logbook}")
    return code


def _meter_on_a_line(seed: int) -> SimulatorThread:
    """On a pseudo-terminal; on TCP where the system has none."""
    from drivers.simulator.catalogue import load_site
    from drivers.simulator.meter import SimulatedMeter
    from drivers.simulator.thread import SimulatorThread
    from logger.errors import LinkFailed

    meter = SimulatedMeter(load_site(SITE), seed=seed)
    try:
        return SimulatorThread(meter, "pty")
    except LinkFailed:
        return SimulatorThread(SimulatedMeter(load_site(SITE), seed=seed), "tcp")


def _fresh_logbook(folder: Path | None) -> Path:
    """Start the studio's logbook in that folder, under a name that is free."""
    from importlib import resources

    from logger.errors import InputWrong
    from logger.job.plan import load_plan
    from tui.cli.new import start_logbook

    if folder is None:
        folder = Path(tempfile.mkdtemp(prefix="zerofirst-demo-"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputWrong(f"The folder {folder} cannot be made ({error.strerror})", "name another with --dir") from error
    names = (f"{SITE}{'' if number == 1 else f'-{number}'}.db" for number in range(1, NAMES_AT_MOST))
    path = next((folder / name for name in names if not (folder / name).exists()), None)
    if path is None:
        raise InputWrong(f"The folder {folder} is full of demos", "name another with --dir")
    with resources.as_file(resources.files("drivers.simulator") / "sites" / f"{SITE}.plan.toml") as plan_file:
        start_logbook(load_plan(plan_file), path)
    return path
