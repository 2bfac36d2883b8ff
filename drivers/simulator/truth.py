"""What stands between two leads in truth: resistance, capacitance, voltage, loop impedance, tripping, leakage currents.

Everything is worked out from the network of the site in its present state; nothing here knows of ranges, noise or
display (that is `scale` and `meter`).
"""

from __future__ import annotations

from cmath import exp as cexp
from dataclasses import dataclass
from math import inf, pi
from typing import Final

from drivers.simulator.leads import OnItem, Probes, between_of, probes
from drivers.simulator.leakage import leakage_a
from drivers.simulator.network import Network
from drivers.simulator.site import RcdTruth, Site
from drivers.simulator.wiring import STAR, State, Wiring, source, wire_site
from logger.job.conductors import EARTH, NEUTRAL
from logger.job.model import Circuit
from logger.quantity import Function

VOLTMETER_SIEMENS: Final = 1e-6
"""The meter's own input, 1 MΩ: keeps a voltage that only leaks across from being taken for a supply."""

LIVE_V: Final = 25.0
"""From this outside voltage on the leads a measurement without supply is no measurement."""

TRIP_TIME_EXPONENT: Final = 0.6
"""How trip time falls with current: time at n times the rated current is that at once over n to this power."""

TRIP_LATER_AT_180_MS: Final = 4.0
"""How much later a device trips when the current starts with the other half wave."""

POLARITY_DEAD, POLARITY_RIGHT, POLARITY_WRONG = 0.0, 1.0, 2.0


@dataclass(frozen=True, slots=True)
class RcdSetting:
    """What the meter's dial says for RCD tests."""

    rated_ma: float = 30.0
    multiple: float = 1.0
    phase: int = 0


@dataclass(frozen=True, slots=True)
class Truth:
    """A quantity in the base unit of its dimension; infinite where there is no path, no trip or no supply.

    Attributes:
        farad: between the leads, for functions that charge it.
        live: an outside voltage is on the leads, and the value is no measurement.
    """

    base: float
    farad: float = 0.0
    live: bool = False


NOTHING: Final = Truth(inf)


def truth_on_item(site: Site, state: State, placement: OnItem, function: Function, setting: RcdSetting) -> Truth:
    """What a meter on `function` has before it when its leads are on an item; leads are perfect here.

    Raises:
        InputWrong: if the leads cannot be there.
    """
    at = probes(site, placement.item, between_of(placement, site, function), function)
    wiring = wire_site(site, state)
    if function in (Function.INSULATION, Function.CONTINUITY):
        if any(_voltage(site, wiring, a, b) > LIVE_V for a in at.plus for b in at.minus):
            return Truth(0.0, live=True)  # nobody lifts a live line off its bar
        return _resistance(wire_site(site, state, at.parted), at)
    if function in (Function.EARTH_LOOP, Function.LINE_LOOP):
        return Truth(_loop_ohm(site, wiring, placement.item, EARTH if function is Function.EARTH_LOOP else NEUTRAL))
    if function in (Function.RCD_TIME, Function.RCD_CURRENT):
        return Truth(_tripping(site, wiring, placement.item, function, setting))
    if function is Function.VOLTAGE_AC:
        return Truth(_voltage(site, wiring, at.plus[0], at.minus[0]))
    if function is Function.POLARITY:
        return Truth(_polarity(site, wiring, placement.item))
    if function is Function.EARTH_ELECTRODE:
        return Truth(site.earths[placement.item].electrode_ohm) if placement.item in site.earths else NOTHING
    return Truth(leakage_a(site, state, wiring, placement.item, function))


def _resistance(wiring: Wiring, at: Probes) -> Truth:
    resistive, capacitive = wiring.resistive(), wiring.capacitive()
    for network in (resistive, capacitive):
        network.join(at.plus)
        network.join(at.minus)
    siemens = resistive.conductance(at.plus[0], at.minus[0])
    farad = capacitive.conductance(at.plus[0], at.minus[0])
    return Truth(1 / siemens if siemens else inf, 0.0 if farad == inf else farad)


def _loop_ohm(site: Site, wiring: Wiring, item_id: str, back: str) -> float:
    """The impedance that the source has behind it between the line and `back` at the far end of an item."""
    at = probes(site, item_id, f"L/{back}", Function.EARTH_LOOP)
    if _voltage(site, wiring, at.plus[0], at.minus[0]) < site.supply.volts / 2:
        return inf
    network = wiring.resistive()
    network.join((STAR, *map(source, site.lines)))
    return 1 / network.conductance(at.plus[0], at.minus[0])


def _tripping(site: Site, wiring: Wiring, item_id: str, function: Function, setting: RcdSetting) -> float:
    """Seconds, or amperes, at which the item's RCD trips; infinite if it does not or there is none."""
    rcd = _rcd_of(site, item_id)
    if rcd is None or _loop_ohm_or_tester(site, wiring, item_id) == inf:
        return inf
    if function is Function.RCD_CURRENT:
        return rcd.trip_ma / 1000
    if setting.rated_ma * setting.multiple < rcd.trip_ma:
        return inf
    times = setting.rated_ma * setting.multiple / rcd.rating_ma
    later = TRIP_LATER_AT_180_MS if setting.phase == 180 else 0.0
    return (rcd.trip_ms / float(times**TRIP_TIME_EXPONENT) + later) / 1000


def _rcd_of(site: Site, item_id: str) -> RcdTruth | None:
    if item_id in site.circuits:
        return site.circuits[item_id].rcd
    return site.appliances[item_id].rcd if item_id in site.appliances else None


def _loop_ohm_or_tester(site: Site, wiring: Wiring, item_id: str) -> float:
    """An appliance hangs on the tester's own supply; a circuit needs the site's."""
    return 0.0 if item_id in site.appliances else _loop_ohm(site, wiring, item_id, EARTH)


def _polarity(site: Site, wiring: Wiring, item_id: str) -> float:
    if not isinstance(site.plan.item(item_id), Circuit):
        return POLARITY_DEAD
    line, neutral, earth = (
        probes(site, item_id, f"{word}/{other}", Function.POLARITY).plus[0]
        for word, other in (("L", NEUTRAL), (NEUTRAL, "L"), (EARTH, "L"))
    )
    half = site.supply.volts / 2
    line_earth, line_neutral, neutral_earth = (
        _voltage(site, wiring, a, b) > half for a, b in ((line, earth), (line, neutral), (neutral, earth))
    )
    if line_earth and line_neutral and not neutral_earth:
        return POLARITY_RIGHT
    return POLARITY_WRONG if line_earth or line_neutral or neutral_earth else POLARITY_DEAD


def _voltage(site: Site, wiring: Wiring, a: str, b: str) -> float:
    """What a voltmeter shows between two nodes, volts r.m.s."""
    network = wiring.resistive()
    network.connect(a, b, VOLTMETER_SIEMENS)
    phases = {network.root(source(line)): place for place, line in enumerate(site.lines)}
    turn = -2j * pi / len(site.lines)
    fixed = {root: site.supply.volts * cexp(turn * place) for root, place in phases.items()}
    fixed[network.root(STAR)] = 0j
    return voltage_between(network, fixed, a, b)


def voltage_between(network: Network, fixed: dict[str, complex], a: str, b: str) -> float:
    """The voltage between two nodes of a network in which some nodes are held; 0 where nothing holds them."""
    a, b = network.root(a), network.root(b)
    mesh = network.reduced((a, b, *fixed))
    free = [node for node in dict.fromkeys((a, b)) if node not in fixed]
    pushed = [sum(conductance * fixed.get(other, 0j) for other, conductance in mesh[node].items()) for node in free]
    held = [sum(conductance for other, conductance in mesh[node].items() if other in fixed) for node in free]
    if len(free) < 2:
        levels = [push / hold if hold else 0j for push, hold in zip(pushed, held, strict=True)]
    else:
        across = mesh[a].get(b, 0.0)
        determinant = held[0] * held[1] + across * (held[0] + held[1])
        if determinant == 0:
            return 0.0
        both = across * (pushed[0] + pushed[1])
        levels = [(pushed[0] * held[1] + both) / determinant, (pushed[1] * held[0] + both) / determinant]
    volts = {**fixed, **dict(zip(free, levels, strict=True))}
    return abs(volts[a] - volts[b])
