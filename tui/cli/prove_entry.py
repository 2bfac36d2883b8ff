"""`prove-entry`: the evidence that one entry stands in a logbook, for somebody who does not have the logbook."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`prove-entry LOGBOOK ENTRY --to FILE.json`."""
    parser = commands.add_parser("prove-entry", help="make the evidence that one entry stands in a logbook")
    parser.add_argument("logbook", type=Path)
    parser.add_argument("entry", type=int, help="its number")
    parser.add_argument("--to", type=Path, required=True, metavar="FILE.json", help="where to write the evidence")
    parser.add_argument("--json", action="store_true", help="print what was proven as one JSON object")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Write the bundle; 0, or an error: 2 (no such entry, not signed yet), 4 (the logbook does not bear it out)."""
    from logger.logbook.bundle_file import write_bundle
    from logger.logbook.proofs import check, prove
    from logger.logbook.reader import LogbookReader
    from tui.cli.output import emit, say

    with LogbookReader.open(arguments.logbook) as reader:
        bundle = prove(reader, arguments.entry)
    write_bundle(arguments.to, bundle)
    proven = check(bundle)
    if arguments.json:
        emit(
            {
                "entry": proven.entry.number,
                "logbook": proven.checkpoint.logbook,
                "size": proven.checkpoint.size,
                "checkpoint": proven.checkpoint.short_code,
                "vkey": proven.key.text,
                "fingerprint": proven.key.fingerprint,
                "to": str(arguments.to),
            }
        )
        return 0
    say(f"{arguments.to}: entry {proven.entry.number} under checkpoint {proven.checkpoint.short_code}.")
    say(f"Signed by {proven.key.name}, key {proven.key.fingerprint}.")
    say(f"Check it anywhere: zerofirst check-entry {arguments.to} --key {proven.key.text}")
    return 0
