"""Which results were measured after something that a meter told of late.

A numbered event may be lost on the line and come again from the meter's memory. What was measured in between counted as
if nothing had happened; once the event comes, the results among it are in doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger.state import JobState


@dataclass(frozen=True, slots=True)
class Taken:
    """A result of this session, and the name of its reading."""

    entry: int
    serial: str
    boot: str
    n: int


class Measured:
    """The results of one session in the order of their meters' numbers."""

    def __init__(self) -> None:
        self._taken: list[Taken] = []

    def take(self, entry: int, serial: str, boot: str, n: int) -> None:
        """A result was recorded from reading `n` of that meter and boot."""
        self._taken.append(Taken(entry, serial, boot, n))

    def forget(self) -> None:
        """Another session: a meter's earlier numbers do not come any more."""
        self._taken.clear()

    def since(self, state: JobState, serial: str, boot: str, n: int) -> list[int]:
        """Entries of the standing results, not yet in doubt, that were measured after number `n`."""
        certain = {result.entry for result in state.current.values() if result.in_doubt is None}
        return [
            each.entry
            for each in self._taken
            if each.entry in certain and (each.serial, each.boot) == (serial, boot) and each.n > n
        ]
