"""Leakage of an appliance on a tester's own supply: to its earth, to a person, in a substitute measurement."""

from __future__ import annotations

from math import hypot, pi
from typing import Final

from drivers.simulator.site import BODY, Site
from drivers.simulator.wiring import State, Wiring, far, near
from logger.job.conductors import EARTH, NEUTRAL
from logger.job.model import Appliance, ApplianceClass
from logger.quantity import Function

PERSON_OHM: Final = 2000.0
"""A person, as the measuring network for touch current stands for one."""

MAINS_RAD_PER_S: Final = 2 * pi * 50


def leakage_a(site: Site, state: State, wiring: Wiring, item_id: str, function: Function) -> float:
    """Amperes at the voltage of the site's supply; 0 on anything that is no appliance.

    Line leaks through its insulation and filter; the neutral lies at earth and does not, save in the substitute
    measurement, where both are tied together. An earth conductor takes the touch current away as far as it conducts.
    """
    item = site.plan.item(item_id)
    if not isinstance(item, Appliance):
        return 0.0
    class_ii = item.appliance_class is ApplianceClass.II
    line, neutral = (_admittance(site, state, item_id, conductor, class_ii) for conductor in ("L", NEUTRAL))
    volts = site.supply.volts
    if function is Function.SUBSTITUTE_CURRENT:
        return volts * hypot(line[0] + neutral[0], line[1] + neutral[1])
    leaks = volts * hypot(*line)
    if function is Function.PROTECTIVE_CURRENT:
        return 0.0 if class_ii else leaks
    if class_ii:
        return leaks
    earthed = wiring.resistive().conductance(near(item_id, EARTH, 0), far(item_id, BODY, 0))
    return leaks / (1 + earthed * PERSON_OHM)


def _admittance(site: Site, state: State, item_id: str, conductor: str, class_ii: bool) -> tuple[float, float]:
    """Conductance and susceptance from a conductor to the earth or body that it can leak to, siemens."""
    truth = site.appliances[item_id]
    truth = truth.mended() if item_id in state.mended else truth
    metres = truth.cord.length_m
    pair = (conductor, BODY if class_ii else EARTH)
    leak_siemens = 1 / truth.cord.leak_ohm[pair] if pair in truth.cord.leak_ohm else metres / site.insulation_ohm_m
    farad = truth.filter_farad + (0.0 if class_ii else metres * site.farad_per_m)
    return leak_siemens, MAINS_RAD_PER_S * farad
