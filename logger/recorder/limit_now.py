"""The limit that a reading of what is selected is judged by, as the installation stands now.

Screen, recorder and audit ask here, so that they cannot judge by different limits.
"""

from __future__ import annotations

from collections.abc import Mapping

from logger.bodies import Selection
from logger.job.element import Element, element_of
from logger.job.history import setup_of
from logger.job.model import Circuit, Item
from logger.job.network_of import network_of
from logger.quantity import Test
from logger.rules.limit import Limit
from logger.state import JobState


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
    network = network_of(state.plan)
    if network is None:
        return None
    assert isinstance(item, Circuit)
    return element_of(network, setup_of(network, state), selection.between or None, item)
