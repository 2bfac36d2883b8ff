"""Every error that the project raises on purpose, in one tree.

    ZerofirstError                 one plain sentence; `exit_code` says which kind of trouble it is
    ├── InputWrong          (2)    the call or an input file is wrong; nothing was written
    │   ├── PlanWrong              a plan with all its faults
    │   ├── RulesWrong             a rule pack with all its faults
    │   ├── SiteWrong              a simulated site with all its faults
    │   ├── AddressWrong           an instrument URL that cannot be read
    │   ├── UnitUnknown            a unit that is not in the closed list, or of another dimension
    │   ├── LogbookUnusable        no logbook, one that exists already, is closed, or is held by another
    │   └── CannotSend             we were about to send what the protocol has no word for (our mistake)
    ├── InstrumentFailed    (3)    an instrument or its line failed
    │   ├── LinkFailed             could not be opened: `reason` says why, `remedy` what to try
    │   ├── LinkLost               was open and broke
    │   └── LinkEnded              the far end finished (a replay that came to its end)
    ├── FrameWrong          (3)    a frame whose check holds but whose content is no message (their mistake)
    ├── StorageFailed       (1)    the disk would not take entries; they wait in memory, unconfirmed
    └── LogbookDamaged      (4)    a logbook is damaged or was altered

Whatever serial, socket, D-Bus or SQLite code raises is mapped to one of these where it is called, with
the cause kept. The command line prints `str(error)` and exits with `exit_code`; the app shows the same words.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import ClassVar


class ZerofirstError(Exception):
    """Root of the tree.

    Attributes:
        sentence: what happened, plain, without a full stop at its end.
        remedy: what to do next; may be empty.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, sentence: str, remedy: str = "") -> None:
        self.sentence = sentence.rstrip(".")
        self.remedy = remedy.rstrip(".")
        super().__init__(self.sentence)

    def __str__(self) -> str:
        """One line: what happened, then what to do."""
        return f"{self.sentence}: {self.remedy}." if self.remedy else f"{self.sentence}."


class InputWrong(ZerofirstError):
    """The call or an input file is wrong; nothing was written."""

    exit_code = 2


class FileFaulty(InputWrong):
    """A file that people write is refused whole.

    Attributes:
        faults: every fault found, each a sentence with its place (file, line where known, key).
    """

    what: ClassVar[str] = "file"

    def __init__(self, path: str, faults: Sequence[str]) -> None:
        self.path = path
        self.faults = tuple(faults)
        count = "1 fault" if len(self.faults) == 1 else f"{len(self.faults)} faults"
        super().__init__(f"The {self.what} {path} has {count}", "mend each and try again")

    def __str__(self) -> str:
        """The sentence, then one line a fault."""
        return "\n".join([super().__str__(), *(f"  {fault}" for fault in self.faults)])


class PlanWrong(FileFaulty):
    """A plan is refused whole."""

    what = "plan"


class RulesWrong(FileFaulty):
    """A rule pack is refused whole."""

    what = "rule pack"


class SiteWrong(FileFaulty):
    """A simulated site is refused whole."""

    what = "site"


class AddressWrong(InputWrong):
    """An instrument URL that cannot be read."""


class UnitUnknown(InputWrong):
    """A unit that is not in the closed list, is ambiguous, or is of another dimension."""


class LogbookUnusable(InputWrong):
    """No logbook, one that exists already, one that is closed, or one that another process holds."""


class CannotSend(InputWrong):
    """We were about to send what the protocol has no word for. Raised before a byte leaves."""


class InstrumentFailed(ZerofirstError):
    """An instrument or its line failed."""

    exit_code = 3


class LinkReason(StrEnum):
    """Why a line could not be opened."""

    MISSING = "missing"
    """No such port, host or file."""
    BUSY = "busy"
    """Another program holds it."""
    FORBIDDEN = "forbidden"
    """The operating system denies access."""
    REFUSED = "refused"
    """The host is there and does not take the connection."""
    SILENT = "silent"
    """Nothing answered within the time allowed."""
    UNAVAILABLE = "unavailable"
    """The machine lacks what the link needs (no adapter, service stopped)."""
    BROKEN = "broken"
    """Anything else; the cause is chained."""


class LinkFailed(InstrumentFailed):
    """A link could not be opened."""

    def __init__(self, sentence: str, remedy: str, reason: LinkReason) -> None:
        super().__init__(sentence, remedy)
        self.reason = reason


class LinkLost(InstrumentFailed):
    """A link that was open broke."""


class LinkEnded(InstrumentFailed):
    """The far end finished and will not come back (a replay at its end)."""


class FrameWrong(ZerofirstError):
    """A frame whose check holds but whose content is no message of the protocol. Their mistake."""

    exit_code = 3


class StorageFailed(ZerofirstError):
    """The disk would not take entries (full, failing, gone). They wait in memory and nothing of them was confirmed."""


class LogbookDamaged(ZerofirstError):
    """A logbook is damaged or was altered.

    Attributes:
        entry: number of the first entry that is wrong, where one can be named.
    """

    exit_code = 4

    def __init__(self, sentence: str, remedy: str = "", entry: int | None = None) -> None:
        super().__init__(sentence, remedy)
        self.entry = entry
