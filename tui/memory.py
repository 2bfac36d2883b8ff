"""Keeps Python's cycle collector from looking at everything the app holds, which would hold a reading up.

A full look over the last minute of sixteen meters takes a tenth of a second, and Python takes one every few seconds. So
what lives is set aside as it comes; what dies is freed all the same, but for cycles. Those come of screens that are
left: then, and not often, everything is looked at once.
"""

from __future__ import annotations

import gc
from typing import Final

from logger.clock import NS_PER_S

SET_ASIDE_EVERY_NS: Final = 2 * NS_PER_S
"""How often what lives is set aside, nanoseconds: until then the collector looks at it as ever."""

LOOK_AT_ALL_NS: Final = 60 * NS_PER_S
"""How long after one look at everything the next may come, nanoseconds."""

LOOK_AT_LAST_NS: Final = 1800 * NS_PER_S
"""How long after one look at everything the next must come, nanoseconds, though no screen was left."""


class Memory:
    """Call `look` with every tick, on the app's thread."""

    def __init__(self, now_ns: int) -> None:
        gc.freeze()
        self._aside_ns = self._whole_ns = now_ns
        self._screens = 0
        self._was_left = False

    def look(self, now_ns: int, screens: int) -> None:
        """`screens`: how many are open."""
        self._was_left = self._was_left or screens < self._screens
        self._screens = screens
        since_ns = now_ns - self._whole_ns
        if since_ns >= LOOK_AT_LAST_NS or (self._was_left and since_ns >= LOOK_AT_ALL_NS):
            self._was_left, self._whole_ns = False, now_ns
            gc.unfreeze()
            gc.collect()
        elif now_ns - self._aside_ns < SET_ASIDE_EVERY_NS:
            return
        self._aside_ns = now_ns
        gc.freeze()
