"""Required tests without a result, and tests that were left out with a reason."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import Finding, Weight, finding
from logger.job.work import Outcome, work_list
from logger.logbook.entries import Entry, Kind
from logger.state import JobState
from logger.text import harmless

CODE: Final = "work"


class Work:
    """Looks at the work list at the end."""

    WANTS: ClassVar[Collection[str]] = (Kind.SKIP,)

    def __init__(self) -> None:
        self._skips: list[int] = []

    def take(self, entry: Entry, _data: Mapping[str, Any], _job: JobState) -> None:
        """See one reason for leaving a test out."""
        self._skips.append(entry.number)

    def finish(self, job: JobState) -> Iterator[Finding]:
        """What was found."""
        works = work_list(job)
        closed = job.closed_at is not None
        missing = [work for work in works if work.required and work.outcome is Outcome.TO_DO]
        if missing:
            named = ", ".join(f"{work.test} on {harmless(work.item, 40)}" for work in missing[:4])
            yield finding(
                CODE,
                Weight.BREACH if closed else Weight.NOTE,
                [],
                f"{len(missing)} required tests have neither a result nor a reason ({named}"
                + (", …)." if len(missing) > 4 else ")."),
                "Do them, or record why they are left out.",
            )
        skipped = [work for work in works if work.outcome is Outcome.SKIPPED]
        if skipped:
            reasons = "; ".join(
                f"{work.test} on {harmless(work.item, 40)}: {harmless(work.why, 80)}" for work in skipped[:3]
            )
            yield finding(
                CODE,
                Weight.NOTE,
                self._skips,
                f"{len(skipped)} tests were left out, each with a reason ({reasons}).",
                "See whether the reasons hold.",
            )
        again = [work for work in works if work.again is not None]
        if again:
            named = ", ".join(f"{work.test} on {harmless(work.item, 40)}" for work in again[:4])
            yield finding(
                CODE,
                Weight.NOTE,
                [work.result.entry for work in again if work.result],
                f"{len(again)} results are older than a failure that was mended since ({named}).",
                "See whether the repair could have changed them; then take them again.",
            )
        failed = [work for work in works if work.outcome in (Outcome.FAILS, Outcome.UNDECIDED)]
        if failed and closed:
            named = ", ".join(f"{work.test} on {harmless(work.item, 40)}" for work in failed[:4])
            yield finding(
                CODE,
                Weight.NOTE,
                [work.result.entry for work in failed if work.result],
                f"{len(failed)} tests stand as failed or undecided ({named}).",
                "See that what failed is mended and tested again before it is used.",
            )
