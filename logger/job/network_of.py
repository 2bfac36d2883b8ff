"""The network that a plan draws, built once for a plan: whoever asks again while a job is open gets the same one."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from logger.errors import PlanWrong
from logger.job.model import JobKind, Plan
from logger.job.network import Network, build

NETWORKS_KEPT: Final = 4
"""Networks kept, a count: one job is open at a time, and a plan never changes while it is."""


def network_of(plan: Plan) -> Network | None:
    """The network that a plan draws; None where it is about appliances or cannot be drawn."""
    return _built(SamePlan(plan))


class SamePlan:
    """A plan told from others by being that very one: comparing a plan of thousands of circuits costs more."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan

    def __hash__(self) -> int:
        return id(self.plan)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, SamePlan) and other.plan is self.plan


@lru_cache(maxsize=NETWORKS_KEPT)
def _built(same: SamePlan) -> Network | None:
    if same.plan.kind is not JobKind.INSTALLATION:
        return None
    try:
        return build(same.plan)
    except PlanWrong:
        return None
