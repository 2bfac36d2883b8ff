"""`reach`: which runs a test would reach as the log has the installation now, which not and why, what spoils it."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from tui.cli.installation import add_common

if TYPE_CHECKING:
    from logger.job.history import History
    from logger.job.reach_model import Reach

WIDTH_COLUMNS = 80
"""Columns of the drawing where no terminal says how wide it is."""


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`reach LOGBOOK [--test T --between L+N/PE --at B1] [--json]`."""
    parser = commands.add_parser("reach", help="what a test would reach, and what not")
    add_common(parser)
    parser.add_argument("--test", default="insulation", help="which test (insulation where not given)")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print; 0, or 2 where the call or the logbook is wrong, 4 where it is damaged."""
    from logger.job.reach import reach
    from tui.cli.installation import read_history, test_named
    from tui.cli.output import emit, say

    past = read_history(arguments.logbook)
    found = reach(past.network, past.setup, test_named(arguments.test), arguments.between, arguments.at)
    if arguments.json:
        emit(found.body())
    else:
        for line in _lines(past, found):
            say(line)
    return 0


def _lines(past: History, found: Reach) -> Iterator[str]:
    import shutil

    from logger.job.drawing import covers_words
    from logger.job.drawing_text import draw, plain
    from logger.text import harmless

    yield f"{found.test.value} between {found.between} at {harmless(found.at)}: {covers_words(past.network, found)}"
    width = shutil.get_terminal_size((WIDTH_COLUMNS, 24)).columns
    yield from plain(draw(past.network, past.setup, found, width))
    yield f"Share: {found.share_count:.0%} of the runs, {found.share_length:.0%} of the length."
    for note in found.notes:
        yield f"Note: {harmless(note)}."
