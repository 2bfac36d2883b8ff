"""A site under an operator's hands: switches, links, loads and leads as they are now, and what a meter sees of it."""

from __future__ import annotations

from dataclasses import replace
from math import inf
from typing import Final

from drivers.simulator.leads import Apart, OnItem, Placement, between_of, probes
from drivers.simulator.site import LeadSet, Site
from drivers.simulator.truth import NOTHING, RcdSetting, Truth, truth_on_item
from drivers.simulator.wiring import State
from logger.errors import InputWrong
from logger.job.conductors import EARTH, NEUTRAL, lines_of_circuit
from logger.job.model import Circuit
from logger.job.wiring import SUPPLY
from logger.quantity import Function

SOUND_LEADS: Final = LeadSet("A", 0.18, inf, 60e-12)
"""A set as it should be; what a broken or leaking one is changed for."""

THROUGH_LEADS: Final = frozenset({Function.INSULATION, Function.CONTINUITY})
"""Functions in which the leads' own resistance and leakage are part of what is measured."""


class Bench:
    """The one changeable thing about a site. Every change counts up `revision`."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.leads = site.leads
        self.placement: Placement = Apart()
        self.revision = 0
        self.state = State(
            positions={device_id: truth.start for device_id, truth in site.devices.items() if truth.start},
            plugged={item for item, truth in site.circuits.items() if truth.load and truth.load.plugged},
            supply_on=site.supply.on,
        )
        self._known: dict[tuple[int, Function, RcdSetting], Truth] = {}

    def truth(self, function: Function, setting: RcdSetting) -> Truth:
        """What a meter on `function` has at its terminals now, its leads included. Never raises: leads that cannot
        measure that function where they are, touch nothing."""
        key = (self.revision, function, setting)
        if key not in self._known:
            self._known = {key: self._work_out(function, setting)}  # only the present state is asked for again
        return self._known[key]

    def place(self, placement: Placement, function: Function) -> None:
        """Put the leads somewhere.

        Raises:
            InputWrong: if they cannot be there.
        """
        if isinstance(placement, OnItem):
            probes(self.site, placement.item, between_of(placement, self.site, function), function)
        self.placement = placement
        self.revision += 1

    def turn(self, device_id: str, position: str) -> None:
        """Set a switch, link or contactor.

        Raises:
            InputWrong: if there is no such device or position.
        """
        devices = {name: device for name, device in self.site.plan.devices.items() if device.positions}
        if device_id == SUPPLY and position in ("on", "off"):
            self.connect_supply(position == "on")
            return
        if device_id not in devices:
            raise InputWrong(
                f"There is no device {device_id} to set", f"the devices are {', '.join((*devices, SUPPLY))}"
            )
        positions = devices[device_id].positions
        if position not in positions:
            raise InputWrong(f"{device_id} has no position {position}", f"it can be {' or '.join(positions)}")
        self.state.positions[device_id] = position
        self.revision += 1

    def connect_supply(self, on: bool) -> None:
        """Connect the supply, or isolate it upstream in line and neutral."""
        self.state.supply_on = on
        self.revision += 1

    def plug(self, item_id: str, plugged: bool) -> None:
        """Connect or disconnect the load of a circuit.

        Raises:
            InputWrong: if that circuit has no load.
        """
        loads = [item for item, truth in self.site.circuits.items() if truth.load]
        if item_id not in loads:
            raise InputWrong(f"{item_id} has no load to plug", f"loads are on {', '.join(loads) or 'none'}")
        (self.state.plugged.add if plugged else self.state.plugged.discard)(item_id)
        self.revision += 1

    def bridge(self, item_id: str, pair: tuple[str, str] | None) -> None:
        """Put a temporary bridge between two conductors at the far end of a circuit, or take it off.

        Raises:
            InputWrong: if that is no circuit, or it has no such conductors.
        """
        circuit = self.site.plan.item(item_id)
        if not isinstance(circuit, Circuit):
            known = ", ".join(other.id for other in self.site.plan.circuits)
            raise InputWrong(f"There is no circuit {item_id} to bridge", f"the circuits are {known or 'none'}")
        conductors = (*lines_of_circuit(circuit), NEUTRAL, EARTH)
        if pair is None:
            self.state.bridges.pop(item_id, None)
        elif len(set(pair)) == 2 and set(pair) <= set(conductors):
            self.state.bridges[item_id] = pair
        else:
            raise InputWrong(f"{item_id} cannot be bridged so", f"name two of {', '.join(conductors)}, as in L/PE")
        self.revision += 1

    def mend(self, item_id: str) -> None:
        """Take the planted faults out of an item.

        Raises:
            InputWrong: if there is no such item.
        """
        if self.site.plan.item(item_id) is None:
            known = ", ".join(other.id for other in self.site.plan.items)
            raise InputWrong(f"There is no item {item_id} to mend", f"the items are {known}")
        self.state.mended.add(item_id)
        self.revision += 1

    def change_leads(self) -> None:
        """Swap the leads for a sound set with another mark."""
        last = self.leads.mark[-1:]
        self.leads = replace(SOUND_LEADS, mark=chr(ord(last) + 1) if "A" <= last < "Z" else "A")
        self.revision += 1

    def _work_out(self, function: Function, setting: RcdSetting) -> Truth:
        on_item = NOTHING if isinstance(self.placement, Apart) else Truth(0.0)
        if isinstance(self.placement, OnItem):
            try:
                on_item = truth_on_item(self.site, self.state, self.placement, function, setting)
            except InputWrong:
                on_item = NOTHING
        if function not in THROUGH_LEADS:
            return on_item if isinstance(self.placement, OnItem) else _off_item(function)
        return self._through_leads(on_item)

    def _through_leads(self, truth: Truth) -> Truth:
        leads = self.leads
        if leads.ohm == inf:
            return Truth(leads.leak_ohm, leads.farad)
        siemens = 1 / leads.leak_ohm + 1 / (leads.ohm + truth.base)
        return Truth(1 / siemens if siemens else inf, leads.farad + truth.farad, truth.live)


def _off_item(function: Function) -> Truth:
    """What a function without a meaning on bare leads shows: no loop, no trip, no voltage."""
    nothing_flows = (Function.VOLTAGE_AC, Function.POLARITY, Function.PROTECTIVE_CURRENT, Function.TOUCH_CURRENT)
    return Truth(0.0) if function in (*nothing_flows, Function.SUBSTITUTE_CURRENT) else NOTHING
