"""How a conformance check came out, as a value. The checking is done in `drivers.testing` and `drivers.meter_check`."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Outcome(StrEnum):
    """How a check came out."""

    PASSED = "passed"
    FAILED = "failed"
    SKIPPED = "skipped"
    """It could not be tried; the sentence says why."""


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was checked.

    Attributes:
        name: what should hold, as a short phrase: `identifies itself`.
        sentence: what was seen; a stranger's text in it is harmless.
    """

    name: str
    outcome: Outcome
    sentence: str
