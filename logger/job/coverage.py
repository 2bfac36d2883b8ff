"""What the accepted results of a job have reached together, run by run, for one test; and the gaps that are left."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from logger.job.conductors import EARTH, USUAL_BETWEEN, expanded, is_line, lines_of_circuit, read_between
from logger.job.model import Circuit, Earth, EarthKind
from logger.job.network import Network, Segment
from logger.job.reach import OF_AN_EARTH, SEES_ALL
from logger.job.reach_model import Question, Reach, Unreached, shares
from logger.job.wiring import first_run_outside
from logger.quantity import Test


@dataclass(frozen=True, slots=True)
class Coverage:
    """What one test has covered.

    Attributes:
        due: the runs that the test is about, in the order of the plan.
        by: for each run that was reached, the results (entry numbers) that reached it, in their order.
        gaps: the runs that none reached, with what kept off the result that came last and asked about them.
        share_count, share_length: of `due`, as in `Reach`.
    """

    test: Test
    due: tuple[str, ...]
    by: Mapping[str, tuple[int, ...]]
    gaps: tuple[Unreached, ...]
    share_count: float
    share_length: float


def coverage(
    network: Network, test: Test, results: Iterable[tuple[int, Reach]], items: Collection[str] | None = None
) -> Coverage:
    """The union of the reach of `results`, run by run.

    Args:
        results: entry number and reach of accepted results, oldest first; those of other tests are passed over, and of
            insulation those that were not taken to earth: one between line and neutral says nothing about earth.
        items: the boards, circuits and earths that need the test; all that can have it where not given.
    """
    due = runs_due(network, test, items)
    wanted = {segment.id for segment in due}
    by: dict[str, tuple[int, ...]] = {}
    reasons: dict[str, Unreached] = {}
    for entry, reach in results:
        if reach.test is not test or not counts(reach):
            continue
        for name in reach.reached:
            if name in wanted:
                by[name] = (*by.get(name, ()), entry)
        reasons.update({each.segment: each for each in reach.unreached})
    gaps = (reasons.get(each.id, Unreached(each.id, ())) for each in due if each.id not in by)
    by_count, by_length = shares(by, due)
    return Coverage(test, tuple(each.id for each in due), by, tuple(gaps), by_count, by_length)


def counts(reach: Reach) -> bool:
    """Whether a result covers anything: an insulation reading must have had earth alone on one lead."""
    return reach.test not in SEES_ALL or EARTH in reach.between.split("/")


def runs_due(network: Network, test: Test, items: Collection[str] | None = None) -> list[Segment]:
    """The runs that a test is about: those of its usual conductors, of the items that can have it (or of `items`)."""
    if test not in USUAL_BETWEEN:
        return []
    between = read_between(USUAL_BETWEEN[test], network.plan)
    named = [each for each in network.plan.items if items is None or each.id in items]
    due: list[Segment] = []
    for item in named:
        if isinstance(item, Earth) and test not in OF_AN_EARTH:
            continue
        if test is Test.EARTH_ELECTRODE and not (isinstance(item, Earth) and item.kind is EarthKind.ELECTRODE):
            continue
        if test is Test.RING_CONTINUITY and not (isinstance(item, Circuit) and item.ring):
            continue
        first = first_run_outside(item.path) if isinstance(item, Circuit) and test is Test.RING_CONTINUITY else 0
        lines = lines_of_circuit(item) if isinstance(item, Circuit) else network.lines
        lines = tuple(name for name in expanded(between.conductors, lines) if is_line(name))
        own = Question(test, between, item.id, lines)
        due += [s for s in network.of_item(item.id) if s.run >= first and own.concerns(network, s)]
    order = {name: place for place, name in enumerate(network.segments)}
    return sorted(due, key=lambda segment: order[segment.id])
