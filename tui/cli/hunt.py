"""`hunt`: after a reading of the whole that failed, which breakers to open next, and what each circuit must be."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from tui.cli.installation import add_common

if TYPE_CHECKING:
    from logger.job.hunt_log import Hunted


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`hunt LOGBOOK [--between L+N/PE --at B1] [--limit MOHM] [--json]`."""
    parser = commands.add_parser("hunt", help="which breakers to open next to find a fault")
    add_common(parser)
    parser.add_argument("--limit", type=float, metavar="MOHM", help="least insulation of a part, megohm")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print; 0, or 2 where there is nothing to hunt or the logbook is wrong, 4 where it is damaged."""
    from logger.errors import InputWrong
    from logger.job.hunt_log import hunt_in
    from logger.job.hunt_words import hunt_body
    from tui.cli.installation import read_history
    from tui.cli.output import emit, say

    if arguments.limit is not None and not 0 < arguments.limit < float("inf"):
        raise InputWrong("The limit must be a number above 0", "say it in megohm, for example --limit 1")
    hunted = hunt_in(read_history(arguments.logbook), arguments.between, arguments.at, arguments.limit)
    if arguments.json:
        emit({"began": hunted.began, **hunt_body(hunted.finding)})
    else:
        for line in _lines(hunted):
            say(line)
    return 0


def _lines(hunted: Hunted) -> Iterator[str]:
    from logger.job.hunt_words import bounds_words, hunt_sentence
    from logger.text import harmless
    from tui.cli.steps import step_words

    finding = hunted.finding
    yield f"Insulation between {finding.between} at {harmless(finding.at)}, failed in entry {hunted.began}."
    for part in finding.parts:
        said = finding.verdicts
        state = "BELOW" if part.id in said.faulty else "sound" if part.id in said.sound else "open"
        switch = f" behind {harmless(part.device)}" if part.device else ""
        yield f"  {harmless(part.id)}{switch}: {state}, {bounds_words(finding.verdicts.spans[part.id])}"
    yield harmless(hunt_sentence(finding), 1000)
    for number, step in enumerate((each for each in finding.next_steps if each.do != "select"), 1):
        yield f"{number:3}. {step_words(step, finding.next_steps)}"
