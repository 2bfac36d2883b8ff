"""`remark`: an auditor's words on an entry, signed with their own key. Nothing that stands is changed by it."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`remark LOGBOOK ENTRY WORDS… [--by NAME] [--role ROLE] [--json]`."""
    what = "add a signed remark on an entry; beside the logbook where that is closed"
    parser = commands.add_parser("remark", help=what, description=what)
    parser.add_argument("logbook", type=Path)
    parser.add_argument("entry", type=int, help="number of the entry that it is about")
    parser.add_argument("words", nargs="+", metavar="WORDS")
    parser.add_argument("--by", default="", metavar="NAME", help="who remarks; without it the user's name")
    parser.add_argument("--role", default="auditor", help="in which role; without it: auditor")
    parser.add_argument("--json", action="store_true", help="print what was written as one JSON object")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Write it; 0, or an error: 2 (no such entry, no words, held, cannot be written to), 4 (damaged)."""
    from logger.audit.remarking import Words, write_remark
    from logger.clock import SystemClock
    from tui.cli.output import emit, say
    from tui.operators import own_key, user_name

    words = Words(arguments.entry, " ".join(arguments.words), arguments.by or user_name(), arguments.role)
    written = write_remark(arguments.logbook, words, own_key, SystemClock())
    key = written.key
    if arguments.json:
        emit(
            {
                "logbook": str(written.path),
                "entry": written.entry,
                "about": words.about,
                "checkpoint": written.checkpoint.short_code,
                "vkey": key.vkey,
                "fingerprint": key.fingerprint,
            }
        )
        return 0
    say(f"{written.path}: entry {written.entry} is a remark on entry {words.about}.")
    say(f"Signed by {key.name}, key {key.fingerprint}, checkpoint {written.checkpoint.short_code}.")
    return 0
