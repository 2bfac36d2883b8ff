"""What a link is, whatever the bytes travel on. Here live the contract and its chunk; no way of travelling does.

A link is used once: made, opened, read until it breaks, closed. Reconnection is a new link (`drivers.line`),
so that nothing of a broken connection can reach into the next one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from logger.reading import Identity

CLOSE_LIMIT_S = 2.0
"""Longest that closing may take, seconds: some port drivers never come back from it, and leaving must not hang."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that arrived together, never empty.

    Attributes:
        mono_ns: host monotonic time in nanoseconds when the last of them was taken from the operating system.
    """

    data: bytes
    mono_ns: int


@runtime_checkable
class Witness(Protocol):
    """Something besides the meter's own words that tells who is on a line. What makes a line's links may be one."""

    def doubts(self, identity: Identity) -> str:
        """In one sentence, where it contradicts who the meter says it is; empty where it does not."""


class Link(Protocol):
    """One connection to a meter, from open to close. Bytes come whole and in order, in chunks of any size.

    All methods are called from one event loop; none of them blocks it.
    """

    @property
    def can_send(self) -> bool:
        """Whether `send` reaches anybody; False for a replay."""

    async def open(self) -> None:
        """Connect; called once. Bounded in time, and safe to cancel if `close` follows.

        Raises:
            LinkFailed: if it cannot be opened; another link to the same place may be, a little later.
            InputWrong: if what the URL names is a file, and the file is wrong: trying again does not help.
        """

    async def receive(self) -> Chunk:
        """Wait for the next chunk. Cancelling the wait loses nothing.

        Raises:
            LinkLost: if the connection broke; every chunk before that was handed over first.
            LinkEnded: if the far end came to its end and will not come back.
        """

    async def send(self, data: bytes) -> None:
        """Hand `data` over to the operating system, or give up after a bounded time.

        Raises:
            LinkLost: if it was not handed over. The reading side alone says whether the line still stands: a far
                end that takes no bytes may still send some.
        """

    async def close(self) -> None:
        """Let go. May be called at any time and more than once, never raises, takes at most `CLOSE_LIMIT_S`."""
