"""Whether a heating element is in an insulation reading: only there does a relaxed limit for elements hold.

A sheathed element leaks to its sheath, and the sheath is earthed. So it is in the reading where the load is not away,
an end of it hangs on the lead that holds live conductors, and the other lead holds earth. Elsewhere the reading says
nothing of the element, and the wiring alone has to answer for it.
"""

from __future__ import annotations

from enum import StrEnum

from logger.job.alterations import AlterationKind, meaning_of
from logger.job.conductors import EARTH, NEUTRAL, lines_of_circuit
from logger.job.model import Circuit
from logger.job.network import Network
from logger.job.reach import reach_of
from logger.job.setup import SetUp, standing
from logger.quantity import Test

OF_A_LOAD = frozenset({"element", "elements", "heater", "heaters", "heating", "load", "loads"})
"""Words by which an alteration may mean a heating load, though it cannot be told which or how."""


class Element(StrEnum):
    """Where a circuit's heating element is, for an insulation reading."""

    IN = "in"
    OUT = "out"
    """Away, not reached, or not measured to earth."""


def element_of(network: Network, setup: SetUp, between: str | None, circuit: Circuit) -> Element | None:
    """Where the element is in a reading of insulation between these conductors, as things stand; None where that
    cannot be told: an open alteration may mean the load, and the drawing cannot say so."""
    stand = standing(network, setup)
    if circuit.id in stand.unplugged:
        return Element.OUT
    found = reach_of(network, setup, Test.INSULATION, between, circuit.id)
    if found is None:
        return None
    leads = found.between.split("/")
    if EARTH not in leads:
        return Element.OUT
    live, earth = (found.minus, found.plus) if leads[0] == EARTH else (found.plus, found.minus)
    ends = {network.end(circuit.id, each) for each in (*lines_of_circuit(circuit), NEUTRAL)}
    if not (ends & set(live) and network.end(circuit.id, EARTH) in earth):
        return Element.OUT
    return None if _may_be_away(network, setup, circuit) else Element.IN


def _may_be_away(network: Network, setup: SetUp, circuit: Circuit) -> bool:
    """Whether an open alteration that the drawing cannot reckon with names the circuit, or a load of any."""
    for each in setup.alterations:
        if meaning_of(network, each.what, each.to).kind is AlterationKind.OTHER:
            words = each.what.casefold().replace(",", " ").split()
            if circuit.id.casefold() in words or OF_A_LOAD & set(words):
                return True
    return False
