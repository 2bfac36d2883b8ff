"""The installation through a log: how it stood at each result, what each result reached, and how it stands now.

Reads entries and nothing else: screen, audit and report fold the same log to the same answer.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from logger.bodies import Body
from logger.errors import InputWrong
from logger.job.coverage import Coverage, coverage
from logger.job.model import JobKind
from logger.job.network import Network, build
from logger.job.reach import reach_of
from logger.job.reach_model import Reach
from logger.job.setup import Alteration, SetUp, set_up
from logger.logbook.entries import Entry, Kind
from logger.quantity import Test
from logger.state import JobState


@dataclass(frozen=True, slots=True)
class PastResult:
    """A result and how the installation stood when it was taken. `reach` is None where there is nothing to reach."""

    entry: int
    body: Body
    setup: SetUp
    reach: Reach | None


@dataclass(frozen=True, slots=True)
class History:
    """What a log says of its installation.

    Attributes:
        setup: how it stands after the last entry.
        results: every result, oldest first.
    """

    state: JobState
    network: Network
    setup: SetUp
    results: tuple[PastResult, ...]

    def standing_results(self) -> tuple[PastResult, ...]:
        """The results that no later check has put in doubt."""
        doubted = self.state.doubted
        return tuple(result for result in self.results if result.entry not in doubted)

    def coverage(self, test: Test) -> Coverage:
        """What the standing results of a test have reached together."""
        reached = [(each.entry, each.reach) for each in self.standing_results() if each.reach is not None]
        return coverage(self.network, test, reached)


def history(entries: Iterable[Entry]) -> History:
    """The history that `entries` tell; those of kinds that a state does not fold may be left out.

    Raises:
        InputWrong: where the log is not about an installation, or holds no plan.
        PlanWrong: where its plan cannot be wired.
    """
    state = JobState()
    network: Network | None = None
    results: list[PastResult] = []
    for entry in entries:
        state.apply(entry.number, entry.at, entry.kind, entry.data, 0)
        if entry.kind == Kind.JOB:
            network = _network(state)
        if entry.kind == Kind.RESULT and network is not None:
            now = setup_of(network, state)
            body = entry.data
            found = reach_of(network, now, Test(body["test"]), body.get("between"), str(body["item"]))
            results.append(PastResult(entry.number, body, now, found))
    if network is None:
        raise InputWrong("This logbook holds no plan", "choose a logbook that was started with zerofirst new")
    return History(state, network, setup_of(network, state), tuple(results))


def setup_of(network: Network, state: JobState) -> SetUp:
    """How the installation stands by a job's state."""
    alterations = (
        Alteration(each.what, each.to, each.why, each.at, state.operator) for each in state.alterations.values()
    )
    return set_up(network, state.positions, alterations)


def _network(state: JobState) -> Network:
    plan = state.plan
    if plan is None or plan.kind is not JobKind.INSTALLATION:
        raise InputWrong("This job is about appliances: it has no installation to draw", "choose an installation's")
    return build(plan)
