"""What a conversation with a meter yields, in the order in which it happened.

`drivers` makes these from bytes; `logger.recorder` takes them in. Each names the meter by `line`, the key of
the line it hangs on (the URL as the operator gave it), and carries `mono_ns`, the host's monotonic clock
when the bytes arrived or the deadline passed. Every byte that came stands in exactly one `RawBytes`, which comes
before what was read out of it; `first` and `last` of a message count the line's bytes from 0, so that its own bytes
can be found again.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger.reading import Identity, MeterEvent, Range, Reading


@dataclass(frozen=True, slots=True)
class Happening:
    """Common to all.

    Attributes:
        line: which line.
        mono_ns: host monotonic time in nanoseconds.
    """

    line: str
    mono_ns: int


@dataclass(frozen=True, slots=True)
class RawBytes(Happening):
    """A chunk as it came. `offset` counts the bytes of this line before it, since capture started."""

    data: bytes
    offset: int


@dataclass(frozen=True, slots=True)
class Identified(Happening):
    """The meter said who it is, for the first time, anew, or with something changed."""

    identity: Identity
    new_boot: bool
    """True at the first identity on this line and whenever `boot` or `serial` differs from the last."""


@dataclass(frozen=True, slots=True)
class Ready(Happening):
    """Identity known, functions known or given up on: the stream may start. Once per line and boot; told again only if
    the ranges that the meter announces change later."""

    identity: Identity
    ranges: tuple[Range, ...]


@dataclass(frozen=True, slots=True)
class Read(Happening):
    """A reading, numbered within `serial` and `boot`.

    Attributes:
        serial, boot: with `reading.n`, its name for ever.
        repeat: a frame with that name was already held.
        first, last: where its frame stands among the line's bytes (last is exclusive).
    """

    serial: str
    boot: str
    reading: Reading
    repeat: bool
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Told(Happening):
    """The meter told of an event. Repeats are not yielded."""

    serial: str
    boot: str
    event: MeterEvent
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Damaged(Happening):
    """Bytes that are no frame, or a frame whose check or content is wrong. Never a reading.

    Attributes:
        first, last: where they stand among the line's bytes (last is exclusive).
        why: a short phrase: `wrong check`, `no frame`, `too long`, `not a number: v` …
    """

    first: int
    last: int
    why: str


@dataclass(frozen=True, slots=True)
class Gap(Happening):
    """Numbers `low` to `high` did not come; they have been asked for."""

    serial: str
    boot: str
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Filled(Happening):
    """Numbers `low` to `high`, missing before, are all held now."""

    serial: str
    boot: str
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Lost(Happening):
    """Numbers `low` to `high` will not come: the meter no longer has them, or does not answer."""

    serial: str
    boot: str
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Disconnected(Happening):
    """The line broke, ended, or has been silent for three seconds. `why` is one phrase for a person."""

    why: str


@dataclass(frozen=True, slots=True)
class Reconnected(Happening):
    """The line speaks again and the meter said who it is. `away_ns`: how long it did not."""

    away_ns: int


@dataclass(frozen=True, slots=True)
class Ended(Happening):
    """The line is over and will not be tried again (a replay came to its end)."""
