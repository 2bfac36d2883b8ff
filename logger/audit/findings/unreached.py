"""Parts of the installation that no accepted result of a required test ever reached, as the switches stood."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, ClassVar, Final

from logger.audit.finding import Finding, Weight, finding
from logger.job.coverage import coverage
from logger.job.history import setup_of
from logger.job.network_of import network_of
from logger.job.reach import reach_of
from logger.job.reach_model import Reach
from logger.logbook.entries import Entry, Kind
from logger.quantity import Test
from logger.state import JobState
from logger.text import harmless

CODE: Final = "unreached"

LOOKED_AT: Final = (Test.INSULATION, Test.EARTH_CONTINUITY)
"""Tests that must reach every part; the others are taken at one place."""


class Unreached:
    """Keeps what each result reached, as the installation stood when it was taken."""

    WANTS: ClassVar[Collection[str]] = (Kind.RESULT,)

    def __init__(self) -> None:
        self._reached: list[tuple[int, Reach]] = []

    def take(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        """See one result."""
        test = Test(data["test"])
        network = network_of(job.plan) if job.plan else None
        if network is None or test not in LOOKED_AT or data.get("verdict") == "fails":
            return
        reach = reach_of(network, setup_of(network, job), test, data.get("between"), str(data["item"]))
        if reach is not None:
            self._reached.append((entry.number, reach))

    def finish(self, job: JobState) -> Iterator[Finding]:
        """What was found."""
        network = network_of(job.plan) if job.plan else None
        if network is None or job.pack is None or job.plan is None:
            return
        doubted = job.doubted
        standing = [each for each in self._reached if each[0] not in doubted]
        for test in LOOKED_AT:
            items = [item.id for item in job.plan.items if test in job.pack.tests_for(item, job.plan)]
            items = [item for item in items if (item, test) not in job.skips]
            own = [each for each in standing if each[1].test is test]
            if not items or not own:
                continue
            gaps = coverage(network, test, own, items).gaps
            if gaps:
                named = ", ".join(harmless(gap.segment, 40) for gap in gaps[:6])
                why = next((gap.because[0] for gap in gaps if gap.because), None)
                because = f"; {harmless(why.device, 40)} was {harmless(why.position, 40)}" if why else ""
                yield finding(
                    CODE,
                    Weight.NOTE,
                    [],
                    f"{test} never reached {_runs(len(gaps))} of what it is required for ({named}{because}).",
                    "Test again with the switches set so that what was left out is connected.",
                )


def _runs(count: int) -> str:
    return "1 run" if count == 1 else f"{count} runs"
