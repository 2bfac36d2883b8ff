"""The limit that a reading of what is selected is judged by, as the installation stands now.

Screen, recorder and audit ask here, so that they cannot judge by different limits.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final

from logger.bodies import Selection
from logger.job import setup
from logger.job.element import Element, element_of
from logger.job.model import Circuit, Item
from logger.job.network_of import SamePlan, network_of
from logger.quantity import Test
from logger.rules.limit import Limit
from logger.state import Alteration, JobState

PLACES_KEPT: Final = 8
"""Answers kept, a count: those of one circuit as switches are tried."""


def limit_now(state: JobState, selection: Selection, setting: Mapping[str, str] | None = None) -> Limit | None:
    """What a reading of the selected test is judged by; None where the pack says nothing of it.

    Args:
        state: of a job whose plan and rules are known.
        setting: what the meter said of its RCD setting: it goes before what was selected.
    """
    plan, pack = state.plan, state.pack
    item = plan.item(selection.item) if plan else None
    if plan is None or pack is None or item is None:
        return None
    return pack.limit_for(
        selection.test,
        item,
        plan,
        selection.voltage,
        {**selection.setting, **(setting or {})},
        between=selection.between or None,
        element=_element(state, selection, item),
    )


def _element(state: JobState, selection: Selection, item: Item) -> Element | None:
    """Where the heating element is; None also where there is none, or nobody can tell."""
    heated = isinstance(item, Circuit) and item.load is not None and item.load.kind == "heating"
    if not heated or selection.test is not Test.INSULATION or state.plan is None:
        return None
    stands = tuple(state.positions.items()), tuple(state.alterations.values())
    return _as_it_stands(SamePlan(state.plan), *stands, selection.between, item.id)


@lru_cache(maxsize=PLACES_KEPT)
def _as_it_stands(
    same: SamePlan,
    positions: tuple[tuple[str, str], ...],
    alterations: tuple[Alteration, ...],
    between: str,
    item_id: str,
) -> Element | None:
    """Worked out once for each way things stand: a screen asks with every look, and a big plan takes its time."""
    network = network_of(same.plan)
    if network is None:
        return None
    altered = (setup.Alteration(each.what, each.to) for each in alterations)
    stands = setup.set_up(network, dict(positions), altered)
    return element_of(network, stands, between or None, network.circuits[item_id])
