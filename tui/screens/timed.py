"""The page of timed runs: what the log holds of them, the one that goes on among them. Read off the event loop."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Final

from logger.errors import ZerofirstError
from logger.logbook.reader import LogbookReader
from logger.text import harmless
from logger.timed_log import timed_runs as runs_of
from tui.screens.context import Context
from tui.timed_words import HEADING, NO_VERDICT, entry_line
from tui.view import Lines, faint, plain

HOW: Final = (
    "A run begins when the leads touch the conductors of the selected insulation test with the voltage on, by the "
    "meter's own clock. Keep them there for 60 s, or 10 min for the polarisation index; a line that drops out costs "
    "nothing if the meter still has what it read. Discharge afterwards, four times as long as the voltage was on."
)


async def timed_runs(context: Context) -> None:
    """Every run that reached a mark, with the entries of its readings."""
    try:
        lines = await asyncio.to_thread(_lines, context.path)
    except ZerofirstError as error:
        lines = (plain(harmless(str(error), 400)),)
    await context.read(f"{HEADING} (entry numbers in brackets)", lines)


def _lines(path: Path) -> Lines:
    with LogbookReader.open(path) as reader:
        found = tuple(plain(entry_line(each)) for each in runs_of(reader))
    return (*(found or (plain("No run has reached 30 s yet."),)), plain(""), plain(HOW), faint(NO_VERDICT))
