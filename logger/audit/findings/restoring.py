"""Temporary changes to the installation that were not put back."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import Finding, Weight, finding
from logger.logbook.entries import Entry
from logger.state import JobState
from logger.text import harmless

CODE: Final = "restoring"


class Restoring:
    """Looks at what is altered at the end."""

    WANTS: ClassVar[Collection[str]] = ()

    def take(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        """The state has it all."""

    def finish(self, job: JobState) -> Iterator[Finding]:
        """What was found."""
        left = list(job.alterations.values())
        if not left:
            return
        closed = job.closed_at is not None
        named = ", ".join(f"{harmless(each.what, 40)} is {harmless(each.to, 40)}" for each in left[:5])
        yield finding(
            CODE,
            Weight.BREACH if closed else Weight.NOTE,
            [each.entry for each in left],
            f"Not put back: {named}" + (", though the job was closed." if closed else ". The job is still open."),
            "Go and look; put it back, and record that it was.",
        )
