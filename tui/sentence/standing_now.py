"""The installation as it stands now, out of the facts: its network, its set-up, and what the selected test reaches."""

from __future__ import annotations

from logger.job.network import Network
from logger.job.reach import reach_of
from logger.job.reach_model import Reach
from logger.job.setup import Alteration, SetUp, set_up
from tui.facts import Facts


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
