"""Whether a meter is still there: silence, absence, return.

What lives here: the time since the last byte and since the meter was last known to be there. What does not: bytes, and
what is told or asked because of it (`drivers.instrument`).
"""

from __future__ import annotations

from typing import Final

from logger.clock import NS_PER_S

SILENT_AFTER_NS: Final = 3 * NS_PER_S
"""A line without a byte for so long is lost: a meter says something at least every 2 s."""

REOPEN_AFTER_NS: Final = 7 * NS_PER_S
"""A line without a byte for so long should be closed and opened again: by then it was asked three times in vain."""


class Presence:
    """The presence of one meter on one line.

    Attributes:
        linked: the link is open.
        wants_reopening: it is, and has been without a byte for `REOPEN_AFTER_NS`.
    """

    def __init__(self) -> None:
        self.linked = False
        self.wants_reopening = False
        self._last_byte_ns = 0
        self._silent = False
        self._away_since_ns: int | None = None

    @property
    def deadline_ns(self) -> int | None:
        """When silence must next be looked at."""
        if not self.linked or self.wants_reopening:
            return None
        return self._last_byte_ns + (REOPEN_AFTER_NS if self._silent else SILENT_AFTER_NS)

    def open(self, now_ns: int) -> None:
        """The link was opened; silence counts from now."""
        self.linked = True
        self._hear(now_ns)

    def close(self) -> None:
        """The link was closed or broke."""
        self.linked = False
        self.wants_reopening = False

    def heard(self, now_ns: int) -> bool:
        """Bytes came; True if they end a silence."""
        ended = self._silent
        self._hear(max(now_ns, self._last_byte_ns))
        return ended

    def fell_silent(self, now_ns: int) -> bool:
        """True once at the beginning of each silence. Also notes when the line should be opened again."""
        if not self.linked:
            return False
        self.wants_reopening = now_ns >= self._last_byte_ns + REOPEN_AFTER_NS
        if self._silent or now_ns < self._last_byte_ns + SILENT_AFTER_NS:
            return False
        self._silent = True
        return True

    def lost(self) -> bool:
        """The meter is away from its last byte on; True if it was there until now."""
        if self._away_since_ns is not None:
            return False
        self._away_since_ns = self._last_byte_ns
        return True

    def returned(self, now_ns: int) -> int | None:
        """The meter is there again: how long it was away, nanoseconds; None if it was not."""
        since, self._away_since_ns = self._away_since_ns, None
        return None if since is None else max(0, now_ns - since)

    def _hear(self, now_ns: int) -> None:
        self._last_byte_ns = now_ns
        self._silent = False
        self.wants_reopening = False
