"""Zero checks that drift, job after job: an EWMA control chart for each instrument, function and voltage.

The chart is that of Roberts, with weight 0.2 and limits at seven standard deviations of the weighted mean. Centre and
spread come from the first twenty checks (the spread from their moving range, never less than half a step of the
display). A sound instrument gives a false alarm in fewer than one chart of two hundred, of a hundred checks each
(measured by simulation in the tests; most of it is the error of centre and spread), and a shift by two standard
deviations of one reading is found in more than nine of ten. Checks of another lead set, or with the leads nulled or
not, are charts of their own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Any, ClassVar, Final

from logger.audit.finding import Across, Extract, Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.proof import Point
from logger.quantity import Relation
from logger.state import JobState
from logger.text import harmless

CODE: Final = "drift"

WEIGHT: Final = 0.2
"""How much the newest check counts."""

LIMIT_SIGMAS: Final = 7.0
BASE_CHECKS: Final = 20
"""How many checks set centre and spread."""

CHECKS_AT_MOST: Final = 1_000
"""How many checks of one chart are kept of one logbook."""

MOVING_RANGE: Final = 1.128
"""Mean moving range of two over the standard deviation."""

Name = tuple[str, str, str, str]
"""Serial; function and voltage; lead set, and nulled or not; unit."""

Check = tuple[str, int, float, float]
"""Time, entry, mean figure, step of the display."""


class Drift:
    """Keeps zero checks that passed, and infinity checks that showed a figure."""

    WANTS: ClassVar[Collection[str]] = (Kind.SELF_CHECK,)

    def __init__(self) -> None:
        self._charts: dict[Name, list[Check]] = {}
        self._finite: list[int] = []
        self._infinite = 0

    def take(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        """See one check."""
        if data["outcome"] != "pass":
            return
        relations = set(data.get("relations", ()))
        if data["point"] == Point.INFINITY:
            over = relations == {Relation.ABOVE.value}
            self._infinite += over
            if not over and len(self._finite) < CHECKS_AT_MOST:
                self._finite.append(entry.number)
        elif data["point"] == Point.ZERO and relations == {Relation.EQUAL.value}:
            self._zero(entry, data, job)

    def _zero(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        meter = job.meters.get(str(data["serial"]))
        nulled = "leads nulled" if data.get("lead_ohm") is None else "leads not nulled"
        function = f"{data['function']} {data['voltage']} V" if data["voltage"] else str(data["function"])
        name = (str(data["serial"]), function, f"{meter.leads if meter else ''} {nulled}", str(data["unit"]))
        figures = [Decimal(text) for text in data["figures"]]
        places = max(len(str(text).partition(".")[2]) for text in data["figures"])
        own = self._charts.setdefault(name, [])
        own.append((entry.at, entry.number, float(sum(figures) / len(figures)), 10.0**-places))
        del own[:-CHECKS_AT_MOST]

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What one logbook alone shows."""
        if self._finite and self._infinite:
            yield finding(
                CODE,
                Weight.NOTE,
                self._finite,
                f"{len(self._finite)} infinity checks passed with a figure at the top of the range, where others went "
                "over it: something begins to leak in the leads or in the meter.",
                "Clean and dry the leads; watch these checks.",
            )

    def extract(self) -> Extract:
        """The charts."""
        return Extract(CODE, self._charts)


def across(kept: Sequence[Mapping[Name, list[Check]]]) -> Across:
    """One chart for each instrument over all logbooks; told of the logbook in which it left its limits."""
    names = {name for charts in kept for name in charts}
    for name in sorted(names):
        checks = sorted((check, place) for place, charts in enumerate(kept) for check in charts.get(name, ()))
        left = leaves_limits([check for check, _ in checks])
        if left is None:
            continue
        at, centre, mean = left
        (_, entry, _, _), place = checks[at]
        serial, function, leads, unit = name
        yield (
            place,
            finding(
                CODE,
                Weight.DOUBT,
                [entry],
                f"The zero check of meter {harmless(serial, 40)} on {function} ({harmless(leads, 60).strip()}) has "
                f"drifted from {centre:.3g} to {mean:.3g} {unit} over {at + 1} checks.",
                "Clean the plugs, change the leads, null again; if it stays, have the meter calibrated.",
            ),
        )


def leaves_limits(checks: Sequence[Check]) -> tuple[int, float, float] | None:
    """Where the chart leaves its limits: which check, the centre, the weighted mean there; None where it does not."""
    figures = [check[2] for check in checks]
    base = figures[:BASE_CHECKS]
    if len(figures) <= BASE_CHECKS:
        return None
    centre = sum(base) / len(base)
    ranges = [abs(a - b) for a, b in pairwise(base)]
    step = max(check[3] for check in checks)
    sigma = max(sum(ranges) / len(ranges) / MOVING_RANGE, step / 2)
    mean = centre
    for at, figure in enumerate(figures[BASE_CHECKS:], 1):
        mean = WEIGHT * figure + (1 - WEIGHT) * mean
        width = LIMIT_SIGMAS * sigma * (WEIGHT / (2 - WEIGHT) * (1 - (1 - WEIGHT) ** (2 * at))) ** 0.5
        if abs(mean - centre) > width:
            return BASE_CHECKS + at - 1, centre, mean
    return None
