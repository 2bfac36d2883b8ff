"""Results that disagree with physics: with each other, or with the copper of their cable."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import Finding, Weight, finding
from logger.job.fitting import Known, misfits
from logger.logbook.entries import Entry
from logger.state import JobState

CODE: Final = "physics"

DOUBTFUL: Final = frozenset({"whole-too-good"})
"""Kinds of misfit that only a wrong or untaken reading explains; the others may have a cause on site."""


class Physics:
    """Compares the results that stand at the end."""

    WANTS: ClassVar[Collection[str]] = ()

    def take(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        """The state has it all."""

    def finish(self, job: JobState) -> Iterator[Finding]:
        """What was found."""
        if job.plan is None:
            return
        standing = [each for each in job.current.values() if each.in_doubt is None and each.body.get("unit")]
        known = [Known(each.entry, each.body) for each in standing]
        told: set[tuple[str, tuple[int, ...]]] = set()
        for result in known:
            for misfit in misfits(job.plan, result, known):
                name = (misfit.finding.code, tuple(sorted(misfit.entries)))
                if name in told:
                    continue
                told.add(name)
                yield finding(
                    CODE,
                    Weight.DOUBT if misfit.finding.code in DOUBTFUL else Weight.NOTE,
                    misfit.entries,
                    f"{misfit.finding.sentence}.",
                    "Take these readings again, with the leads and switches where they should be.",
                )
