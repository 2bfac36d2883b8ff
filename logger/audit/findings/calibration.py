"""Results taken with an instrument whose calibration date had passed, or that gave none."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import date
from typing import Any, ClassVar, Final, TypeVar

from logger.audit.finding import Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.state import JobState
from logger.text import harmless

CODE: Final = "calibration"

_Name = TypeVar("_Name")

METERS_AT_MOST: Final = 100
"""How many meters are told of."""


class Calibration:
    """Holds each result against its meter's date."""

    WANTS: ClassVar[Collection[str]] = (Kind.RESULT,)

    def __init__(self) -> None:
        self._past: dict[tuple[str, str], list[int]] = {}
        self._unsaid: dict[str, list[int]] = {}

    def take(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        """See one result."""
        meter = job.meters.get(str(data.get("serial")))
        if meter is None:
            return
        until = _date(meter.calibrated_until)
        if until is None:
            _keep(self._unsaid, meter.serial, entry.number)
        elif job.local_day(entry.at) > until:
            _keep(self._past, (meter.serial, meter.calibrated_until), entry.number)

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What was found."""
        for (serial, until), entries in self._past.items():
            yield finding(
                CODE,
                Weight.DOUBT,
                entries,
                f"Results were taken with meter {harmless(serial, 40)} after its calibration ran out on "
                f"{harmless(until, 20)}.",
                "Have it calibrated; if it is found out of its limits, take these results again.",
            )
        for serial, entries in self._unsaid.items():
            yield finding(
                CODE,
                Weight.NOTE,
                entries,
                f"Meter {harmless(serial, 40)} did not say until when it is calibrated.",
                "See its certificate.",
            )


def _keep(found: dict[_Name, list[int]], name: _Name, entry: int) -> None:
    if name in found or len(found) < METERS_AT_MOST:
        entries = found.setdefault(name, [])
        if len(entries) < METERS_AT_MOST:
            entries.append(entry)


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
