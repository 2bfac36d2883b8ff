"""Results that disagree with physics: with each other, with the copper of their cable, with what was at their leads."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from typing import Any, ClassVar, Final

from logger.audit.finding import Finding, Weight, finding
from logger.job.fitting import Known, Misfit, misfits, value_of
from logger.logbook.entries import Entry, Kind
from logger.quantity import Function
from logger.rules.at_the_leads import HIGH_VOLTAGE, LEADS_MOVED, LOW_VOLTAGE, voltage_at_the_leads
from logger.state import JobState

CODE: Final = "physics"

DOUBTFUL: Final = frozenset({"whole-too-good", LEADS_MOVED, LOW_VOLTAGE, HIGH_VOLTAGE})
"""Kinds of misfit that only a wrong or untaken reading explains; the others may have a cause on site."""

KEPT_AT_MOST: Final = 10_000
"""Most readings kept that were made at a wrong voltage, until a result takes them; older ones are forgotten."""


class Physics:
    """Compares the results that stand at the end; remembers which readings were made at a wrong test voltage."""

    WANTS: ClassVar[Collection[str]] = (Kind.READING, Kind.RESULT)

    def __init__(self) -> None:
        self._odd: dict[int, Misfit] = {}
        self._taken: dict[int, Misfit] = {}

    def take(self, entry: Entry, data: Mapping[str, Any], _job: JobState) -> None:
        """See one reading, or the result that took one; the state has the rest."""
        if entry.kind == Kind.RESULT:
            odd = self._odd.get(data.get("reading") or 0)
            if odd is not None:
                self._taken[entry.number] = replace(odd, entries=(*odd.entries, entry.number))
        elif "output_voltage" in data and data["function"] == Function.INSULATION and data["accepted"]:
            found = voltage_at_the_leads(value_of(data), data.get("voltage"), data["output_voltage"])
            if found is not None:
                self._odd[entry.number] = Misfit((entry.number,), found)
                if len(self._odd) > KEPT_AT_MOST:
                    del self._odd[next(iter(self._odd))]

    def finish(self, job: JobState) -> Iterator[Finding]:
        """What was found."""
        if job.plan is None:
            return
        standing = [each for each in job.current.values() if each.in_doubt is None and each.body.get("unit")]
        known = [Known(each.entry, each.body) for each in standing]
        told: set[tuple[str, tuple[int, ...]]] = set()
        for result in known:
            at_the_leads = [self._taken[result.entry]] if result.entry in self._taken else []
            for misfit in (*at_the_leads, *misfits(job.plan, result, known)):
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
