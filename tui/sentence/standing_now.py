"""The installation as it stands now, out of the facts: its network, its set-up, and what the selected test reaches."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from logger.errors import PlanWrong
from logger.job.model import JobKind, Plan
from logger.job.network import Network, build
from logger.job.reach import reach_of
from logger.job.reach_model import Reach
from logger.job.setup import Alteration, SetUp, set_up
from tui.facts import Facts

NETWORKS_KEPT: Final = 4
"""Networks kept, a count: one job is on the screen, and a plan never changes while it is."""


def network_of(plan: Plan) -> Network | None:
    """The network that a plan draws; None where it is about appliances or cannot be drawn."""
    return _built(_Same(plan))


def set_up_now(network: Network, facts: Facts) -> SetUp:
    """How everything stands at the last look."""
    alterations = [Alteration(a.what, a.to, a.why, a.at) for a in facts.alterations]
    return set_up(network, facts.positions, alterations)


def reach_now(network: Network, facts: Facts) -> Reach | None:
    """What the selected test reaches; None where nothing is selected or it looks at no conductors."""
    selection = facts.selection
    if selection is None:
        return None
    return reach_of(network, set_up_now(network, facts), selection.test, selection.between, selection.item)


class _Same:
    """A plan told from others by being that very one: comparing a plan of thousands of circuits costs more."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan

    def __hash__(self) -> int:
        return id(self.plan)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.plan is self.plan


@lru_cache(maxsize=NETWORKS_KEPT)
def _built(same: _Same) -> Network | None:
    if same.plan.kind is not JobKind.INSTALLATION:
        return None
    try:
        return build(same.plan)
    except PlanWrong:
        return None
