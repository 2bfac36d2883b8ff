"""`check-entry`: whether a proof bundle holds, with no logbook at hand."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`check-entry FILE.json [--key VKEY]`."""
    parser = commands.add_parser("check-entry", help="check the evidence that `prove-entry` made, without the logbook")
    parser.add_argument("file", type=Path, metavar="FILE.json")
    parser.add_argument("--key", metavar="VKEY", help="the key that must have signed, as you know it from elsewhere")
    parser.add_argument("--json", action="store_true", help="print what was proven as one JSON object")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Check; 0 if it holds, else an error: 2 (no bundle), 4 (it does not hold)."""
    from logger.logbook.bundle_file import load_bundle
    from logger.logbook.proofs import check
    from logger.text import harmless
    from tui.cli.output import emit, say

    proven = check(load_bundle(arguments.file), arguments.key)
    entry, checkpoint = proven.entry, proven.checkpoint
    if arguments.json:
        emit(
            {
                "holds": True,
                "entry": {"number": entry.number, "at": entry.at, "kind": str(entry.kind), "body": entry.body},
                "logbook": checkpoint.logbook,
                "size": checkpoint.size,
                "checkpoint": checkpoint.short_code,
                "vkey": proven.key.text,
                "fingerprint": proven.key.fingerprint,
                "key_given": arguments.key is not None,
            }
        )
        return 0
    say(
        f"It holds: entry {entry.number} ({harmless(entry.kind)}, {harmless(entry.at)}) "
        f"stands in logbook {harmless(checkpoint.logbook)} of {checkpoint.size} entries."
    )
    say(harmless(entry.body, SHOWN_BODY_CHARACTERS))
    say(f"Signed by {harmless(proven.key.name)}, key {proven.key.fingerprint}.")
    if arguments.key is None:
        say("That key is named by the file itself: compare it with the operator's, or give it with --key.")
    return 0


SHOWN_BODY_CHARACTERS = 2000
"""How much of an entry's body is printed, characters; `--json` gives all of it."""
