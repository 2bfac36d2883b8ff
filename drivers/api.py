"""What a driver plug-in codes against: a `Driver` makes a `Conversation`, which turns bytes into happenings.

A conversation is sans-IO: it holds no port, no thread and no clock. Whoever owns the line feeds it bytes and the
time, sends what `outgoing` returns, and calls `tick` no later than `deadline_ns`. The same bytes at the same
times give the same happenings, so that an audit can decode a logbook's raw bytes again.

Register a driver in the entry-point group `zerofirst.drivers`; the entry's name is what people write in
`?driver=NAME`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, runtime_checkable

from logger.happening import Happening

API_VERSION = 1
"""Raised when this module changes so that older plug-ins would misread it."""

Resume = Callable[[str, str], int | None]
"""`resume(serial, boot)`: the highest `n` that the logbook already holds of that boot, or None."""


class Conversation(Protocol):
    """One meter on one line, for as long as the line is used; it survives reconnection."""

    def connected(self, now_ns: int) -> Sequence[Happening]:
        """The link is open (again). Queues whatever introduces the host."""

    def receive(self, data: bytes, now_ns: int) -> Sequence[Happening]:
        """Bytes arrived. Never raises, whatever they are."""

    def disconnected(self, now_ns: int, why: str) -> Sequence[Happening]:
        """The link broke. `why` is one phrase for a person."""

    def tick(self, now_ns: int) -> Sequence[Happening]:
        """Do what is due. Calling it early, late or often does no harm."""

    def deadline_ns(self) -> int | None:
        """When `tick` is next needed; None while nothing is pending."""

    def outgoing(self) -> bytes:
        """What must be sent now; the bytes are handed over once."""

    def halt(self) -> None:
        """Queue whatever stops the stream; the line is about to be closed."""

    @property
    def wants_reopening(self) -> bool:
        """True when the line is open but has been dead so long that the link should be closed and opened again."""


@runtime_checkable
class TellsAtTheEnd(Protocol):
    """What a conversation may have besides: something to tell once its far end is finished for good (a replay)."""

    def ended(self, now_ns: int) -> Sequence[Happening]:
        """Nothing more will come, and nothing that was asked will be answered. `disconnected` follows."""


class Driver(Protocol):
    """A wire protocol."""

    name: str
    api_version: int

    def converse(self, line: str, rate: int, resume: Resume) -> Conversation:
        """A fresh conversation.

        Args:
            line: key put on every happening.
            rate: readings a second to ask for, 1 to 500.
            resume: what the logbook already holds.
        """
