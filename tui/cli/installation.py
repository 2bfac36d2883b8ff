"""What the commands about the installation share: its history out of a logbook, and the words of a call checked."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logger.job.history import History
    from logger.quantity import Test


def add_common(parser: argparse.ArgumentParser) -> None:
    """The arguments that they have in common."""
    parser.add_argument("logbook", type=Path)
    parser.add_argument("--between", help="conductors: + joins them on one lead, / parts the leads (L+N/PE)")
    parser.add_argument("--at", metavar="BOARD", help="where the leads go: the id of a board, circuit or earth")
    parser.add_argument("--json", action="store_true")


def read_history(path: Path) -> History:
    """The installation as the log has it.

    Raises:
        LogbookUnusable: no logbook there.
        LogbookDamaged: one that cannot be read.
        InputWrong: one that is not about an installation.
    """
    from logger.job.history import history
    from logger.logbook.reader import LogbookReader
    from logger.state import JobState

    with LogbookReader.open(path) as reader:
        return history(reader.entries(kinds=JobState.KINDS))


def test_named(word: str) -> Test:
    """The test of that name.

    Raises:
        InputWrong: where there is none; says which there are.
    """
    from logger.errors import InputWrong
    from logger.job.conductors import USUAL_BETWEEN
    from logger.quantity import Test
    from logger.text import harmless

    try:
        return Test(word)
    except ValueError as unknown:
        tests = ", ".join(test.value for test in USUAL_BETWEEN)
        raise InputWrong(f"There is no test {harmless(word)!r}", f"choose one of {tests}") from unknown
