"""Pauses between connections that fail. Used wherever a line is tried again; waits for nothing itself."""

from __future__ import annotations

import random

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.25, 5.0
"""Shortest and longest pause, seconds: not to miss a meter that is back, and not to hammer one that is not."""

JITTER = 0.25
"""How far a pause strays from its length, as a share: recorders that lost one converter do not all return at once."""


class Backoff:
    """Pauses that double from `FIRST_PAUSE_S` to `LONGEST_PAUSE_S` until `reset`, each with its jitter."""

    def __init__(self, jitter: random.Random) -> None:
        self._jitter = jitter
        self._step_s = FIRST_PAUSE_S

    def reset(self) -> None:
        """The line worked: start from the shortest pause again."""
        self._step_s = FIRST_PAUSE_S

    def next_s(self) -> float:
        """The next pause, seconds."""
        pause_s = self._step_s * self._jitter.uniform(1 - JITTER, 1 + JITTER)
        self._step_s = min(2 * self._step_s, LONGEST_PAUSE_S)
        return min(pause_s, LONGEST_PAUSE_S)
