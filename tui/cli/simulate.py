"""`simulate`: a simulated meter on a site, served until Ctrl-C; the operator's commands come from standard input.

The end of standard input is not the end of the meter: it may have been started in the background.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from drivers.simulator.thread import Carrier, SimulatorThread

PORT_AT_MOST: Final = 65535

SEED_BITS: Final = 31
"""Size of a seed that nobody chose, bits: two of them hardly ever meet, and it is short enough to type again."""

LOOK_EVERY_S: Final = 0.5
"""How often it is looked whether the meter is still served once no command can come any more, seconds."""


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`simulate SITE [--tcp PORT] [--pty] [--ble] [--seed N]`."""
    parser = commands.add_parser(
        "simulate",
        help="a simulated meter on a site, for practice and tests",
        description="Serves a simulated meter on a site, for practice and tests, and prints the URL to open it by. "
        "Then it takes commands, one a line: where the leads are, how the switches stand, what goes wrong. "
        "`help` lists them. Ctrl-C ends it.",
    )
    parser.add_argument("site", metavar="SITE", help="pottery-studio, tool-store, or the TOML file of your own site")
    carrier = parser.add_mutually_exclusive_group()
    carrier.add_argument("--tcp", type=_port, metavar="PORT", help="serve on TCP on this machine (0: a free port)")
    carrier.add_argument(
        "--pty", action="store_true", help="serve on a pseudo-terminal (where there are any: the default)"
    )
    carrier.add_argument(
        "--ble",
        action="store_true",
        help="serve on Bluetooth LE, from this machine's adapter (Linux); record on another",
    )
    parser.add_argument(
        "--seed", type=int, help="the same seed, commands and times give the same bytes, boot included (else by chance)"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serve until Ctrl-C or SIGTERM; 0, or 2 for a wrong site, 3 where the line cannot be had."""
    import os
    import secrets

    from drivers.simulator.catalogue import load_site
    from drivers.simulator.meter import SimulatedMeter
    from drivers.simulator.thread import SimulatorThread
    from logger.text import harmless
    from tui.cli.output import say

    site = load_site(arguments.site)
    seed = secrets.randbits(SEED_BITS) if arguments.seed is None else arguments.seed
    on_tcp = arguments.tcp is not None or not (arguments.pty or hasattr(os, "openpty"))
    carrier: Carrier = "ble" if arguments.ble else "tcp" if on_tcp else "pty"
    with SimulatorThread(SimulatedMeter(site, seed), carrier, arguments.tcp or 0) as simulator:
        say(f"Meter {harmless(site.meter.serial)} on {harmless(site.name)}, seed {seed}. Open it by")
        say(simulator.url)
        say("Commands, one a line: help lists them. Ctrl-C ends the meter.")
        _serve(simulator)
    return 0


def _serve(simulator: SimulatorThread) -> None:
    """Do the commands on standard input, and go on without them, until Ctrl-C or SIGTERM."""
    import signal
    import sys
    import threading

    from logger.text import harmless
    from tui.cli.output import say

    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        for line in sys.stdin:
            if line.strip():
                for told in simulator.command(line).splitlines():
                    say(harmless(told))
        while simulator.alive:
            threading.Event().wait(LOOK_EVERY_S)
    except KeyboardInterrupt:
        pass
    finally:
        signal.signal(signal.SIGTERM, before)


def _port(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text) <= PORT_AT_MOST):
        raise argparse.ArgumentTypeError(f"a port is a whole number from 0 to {PORT_AT_MOST}")
    return int(text)
