"""How far an audit has come, on standard error: a bar that moves on a terminal, a line now and then elsewhere."""

from __future__ import annotations

import sys
from typing import Final

from logger.clock import NS_PER_S, Clock
from tui.cli.output import complain

BAR_COLUMNS: Final = 30
MOVE_EVERY_NS: Final = NS_PER_S // 10
"""How often the bar moves."""

LINE_EVERY_NS: Final = 5 * NS_PER_S
"""How often a line is written where there is no terminal."""


class ProgressBar:
    """Shows what it is told, not too often."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._is_terminal = sys.stderr.isatty()
        self._began_ns = self._last_ns = clock.mono_ns()
        self._drawn = False

    def show(self, done: int, total: int) -> None:
        """So much of `total` is done, in entries over all tasks."""
        now_ns = self._clock.mono_ns()
        if now_ns - self._last_ns < (MOVE_EVERY_NS if self._is_terminal else LINE_EVERY_NS):
            return
        self._last_ns = now_ns
        share = done / total if total else 1.0
        took_s = (now_ns - self._began_ns) / NS_PER_S
        if not self._is_terminal:
            complain(f"Audit: {share:.0%} after {took_s:.0f} s.")
            return
        full = round(share * BAR_COLUMNS)
        sys.stderr.write(f"\r[{'#' * full}{'.' * (BAR_COLUMNS - full)}] {share:4.0%}  {took_s:.0f} s ")
        sys.stderr.flush()
        self._drawn = True

    def end(self) -> None:
        """Take the bar away."""
        if self._drawn:
            sys.stderr.write("\r" + " " * (BAR_COLUMNS + 20) + "\r")
            sys.stderr.flush()
