"""The command `zerofirst`: which command, and what its errors become.

Only the chosen command's module is imported, so that `--help` costs next to nothing.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Final, NoReturn

from tui.cli.output import complain

COMMANDS: Final[dict[str, str]] = {
    "demo": "the whole job on a simulated site with a simulated meter on a real line",
    "new": "check a plan and start a logbook",
    "capture": "record from meters: steps in, events out, no screen",
    "open": "the terminal app on a logbook",
    "meters": "serial ports and meters in reach",
    "watch": "show what a meter sends; record nothing",
    "simulate": "a simulated meter on a site, for practice and tests",
    "show": "a job's state, or one entry down to its raw bytes",
    "trend": "insulation of an item over time, normalised for comparing",
    "audit": "integrity, re-derivation and findings of logbooks",
    "remark": "add a signed remark on an entry; beside the logbook where that is closed",
    "prove-entry": "make the evidence that one entry stands in a logbook",
    "check-entry": "check the evidence that `prove-entry` made, without the logbook",
    "reach": "what a test would reach, and what not",
    "steps": "the least work that covers everything",
    "hunt": "which breakers to open next to find a fault",
    "rules": "the limits in force, each with its source",
    "reckon": "the trade's formulas, with the working",
    "drivers": "the drivers found; the conformance check for one",
}
"""Every command and what it does, in the order of `--help`."""

ERROR_LINE_AT_MOST: Final = 2000
"""Longest line of an error shown, characters."""

INTERRUPTED: Final = 130
"""Exit code after Ctrl-C where a command has no ending of its own for it."""


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with a call in one sentence; exit code 2."""

    def error(self, message: str) -> NoReturn:
        complain(f"{message[:1].upper()}{message[1:]}: see {self.prog} --help.")
        raise SystemExit(2)


def build_parser(chosen: str | None) -> argparse.ArgumentParser:
    """The parser, with the whole grammar of the chosen command and one line for each other."""
    parser = _Parser(
        prog="zerofirst",
        description="Records readings of electrical testers, and turns away every one taken before the tester "
        "was proven. Without a command: the terminal app.",
    )
    parser.add_argument("--version", action="store_true", help="print the version and exit")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    for name, what in COMMANDS.items():
        if name == chosen:
            importlib.import_module(f"tui.cli.{name.replace('-', '_')}").add_parser(commands)
        else:
            commands.add_parser(name, help=what, add_help=False)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; the return value is the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    chosen = next((word for word in words if not word.startswith("-")), None)
    try:
        parser = build_parser(chosen if chosen in COMMANDS else None)
        arguments = parser.parse_args(words)
        if arguments.version:
            return _print_version()
        if arguments.command is None:
            from tui.cli import open as open_command

            return open_command.start_screen()
        return int(arguments.run(arguments))
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return 0
    except Exception as error:
        return _explain(error)


def _print_version() -> int:
    from logger.version import VERSION
    from tui.cli.output import say

    say(f"zerofirst {VERSION}")
    return 0


def _explain(error: Exception) -> int:
    """One sentence instead of a traceback; a fault of our own says so, and how to see where."""
    from logger.errors import ZerofirstError
    from logger.text import harmless

    if isinstance(error, ZerofirstError):
        complain("\n".join(harmless(line, ERROR_LINE_AT_MOST) for line in str(error).splitlines()))
        return error.exit_code
    if os.environ.get("ZEROFIRST_TRACEBACK"):
        raise error
    complain(
        f"zerofirst met a fault of its own ({type(error).__name__}: {error}); what was confirmed is on disk. "
        "Set ZEROFIRST_TRACEBACK=1 and repeat the call to see where."
    )
    return 1
