"""`open`: the terminal app on a logbook; and the start screen, which is the app without one."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`open LOGBOOK [--from URL…]`."""
    parser = commands.add_parser("open", help="the terminal app on a logbook")
    parser.add_argument("logbook", type=Path)
    parser.add_argument(
        "--from",
        dest="urls",
        metavar="URL",
        nargs="+",
        action="extend",
        default=[],
        help="a meter: serial:/dev/ttyUSB0, tcp:127.0.0.1:4000, ble:ADDRESS, replay:FILE, keyed:",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Open the app; what is wrong with address, logbook or terminal is said before a screen is drawn."""
    from drivers import address
    from logger.clock import SystemClock

    addresses = [address.parse(url) for url in arguments.urls]
    _examine(arguments.logbook)
    need_a_terminal("zerofirst show LOGBOOK prints where the job stands, zerofirst capture records without a screen")
    from tui.app import run_app

    return run_app(arguments.logbook, addresses, SystemClock())


def start_screen() -> int:
    """The app without a logbook: what is near, and what can be begun."""
    from logger.clock import SystemClock

    need_a_terminal("zerofirst --help lists the commands that need none")
    from tui.app import run_start

    code, wants_demo = run_start(SystemClock())
    if wants_demo:
        from tui.cli.main import main

        return main(["demo"])
    return code


def _examine(path: Path) -> None:
    """Complain of a logbook that cannot be opened before anything else."""
    from logger.logbook.reader import LogbookReader

    LogbookReader.open(path).close()


def need_a_terminal(instead: str) -> None:
    """Raise InputWrong where there is none, with what to do instead."""
    from logger.errors import InputWrong

    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise InputWrong("The app needs a terminal to draw on", instead)
