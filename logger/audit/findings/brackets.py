"""Results without a check of the meter after them, and results that a later failed check put in doubt."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import Finding, Weight, finding
from logger.logbook.entries import Entry
from logger.state import JobState

CODE: Final = "brackets"


class Brackets:
    """Looks at the results that stand at the end."""

    WANTS: ClassVar[Collection[str]] = ()

    def take(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        """The state has it all."""

    def finish(self, job: JobState) -> Iterator[Finding]:
        """What was found."""
        standing = sorted(job.current.values(), key=lambda result: result.entry)
        closed = job.closed_at is not None
        doubtful = [each for each in standing if each.in_doubt is not None and (each.item, each.test) not in job.skips]
        if doubtful:
            first = doubtful[0]
            yield finding(
                CODE,
                Weight.BREACH if closed else Weight.DOUBT,
                [each.entry for each in doubtful],
                f"{_results(len(doubtful))} in doubt: a later check of the meter failed, or it told late of a change "
                f"(first: {first.test} on {first.item}, since entry {first.in_doubt}).",
                "Take these again with a meter that proves; do not use them.",
            )
        open_ones = [each for each in standing if each.in_doubt is None and not each.is_bracketed]
        if open_ones:
            yield finding(
                CODE,
                Weight.BREACH if closed else Weight.NOTE,
                [each.entry for each in open_ones],
                f"{_results(len(open_ones))} not bracketed: no zero and infinity check of the meter passed after "
                + ("it." if len(open_ones) == 1 else "them."),
                "Check the meter on the same function and voltage before the job is closed.",
            )


def _results(count: int) -> str:
    return "One result is" if count == 1 else f"{count} results are"
