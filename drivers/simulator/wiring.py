"""A site in its present state as resistors and capacitors between named nodes.

Segments are named as in `reach`: `ITEM/CONDUCTOR/k`. Here each has two ends, `near` (towards the supply) and `far`; its
resistance stands between them, its insulation and capacitance at its far end. What a meter makes of the network is
`truth`'s concern.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import combinations
from math import inf
from typing import Final

from drivers.simulator.network import Network
from drivers.simulator.site import BODY, ApplianceTruth, CircuitTruth, EarthTruth, Run, Site
from logger.job.conductors import EARTH, NEUTRAL, STRAPPERS, lines_of_circuit
from logger.job.model import ApplianceClass, Board, Cable, Circuit, Device, DeviceKind, EarthingSystem
from logger.job.wiring import strapper_runs
from logger.rules.physics.conductors import ohm_per_km, resistance

STAR: Final = "source/star"
GROUND: Final = "ground"
"""The mass of earth."""

CONDUCTIVE_OHM: Final = 10_000.0
"""Below this, two nodes are one conductor for a capacitor: any wire, joint or heating element."""

BRIDGE_OHM: Final = 0.005
"""A temporary bridge with its two clips."""


@dataclass
class State:
    """What hands can change on a site."""

    positions: dict[str, str]
    plugged: set[str]
    supply_on: bool
    bridges: dict[str, tuple[str, str]] = field(default_factory=dict)
    mended: set[str] = field(default_factory=set)


@dataclass
class Wiring:
    """Elements between nodes: ohms (0 or more) and farads."""

    resistors: list[tuple[str, str, float]] = field(default_factory=list)
    capacitors: list[tuple[str, str, float]] = field(default_factory=list)

    def wire(self, a: str, b: str, ohm: float) -> None:
        """A resistance, 0 for one and the same node, infinite for none."""
        self.resistors.append((a, b, ohm))

    def resistive(self) -> Network:
        """All resistors, in siemens."""
        network = Network()
        for a, b, ohm in self.resistors:
            network.connect(a, b, inf if ohm == 0 else 1 / ohm)
        return network

    def capacitive(self) -> Network:
        """All capacitors, in farads, between conductors: what conducts is joined."""
        network = Network()
        for a, b, ohm in self.resistors:
            if ohm < CONDUCTIVE_OHM:
                network.join((a, b))
        for a, b, farad in self.capacitors:
            network.connect(a, b, farad)
        return network


def near(item: str, conductor: str, run: int) -> str:
    """The end of a segment towards the supply."""
    return f"{item}/{conductor}/{run}"


def far(item: str, conductor: str, run: int) -> str:
    """The end of a segment away from the supply."""
    return f"{item}/{conductor}/{run}>"


def bus(board: str, conductor: str) -> str:
    """The bar of a board, behind its main switch."""
    return near(board, conductor, 1)


def source(line: str) -> str:
    """The ideal source of a line."""
    return f"source/{line}"


def origin(conductor: str) -> str:
    """Where the supply comes in."""
    return f"supply/{conductor}"


def cable_sizes(cable: Cable, lines: Iterable[str]) -> dict[str, Decimal | None]:
    """mm² by conductor; a neutral of unsaid size is as the line, an earth conductor of unsaid size likewise."""
    line = cable.line_mm2 or cable.earth_mm2
    sizes: dict[str, Decimal | None] = dict.fromkeys((*lines, *STRAPPERS), line)
    return {**sizes, NEUTRAL: cable.neutral_mm2 or line, EARTH: cable.earth_mm2 or line}


def wire_site(site: Site, state: State, parted: str | None = None) -> Wiring:
    """The network of `site` in `state`; the circuit `parted` has its line lifted off the bar of its board."""
    return _Builder(site, state, parted).build()


class _Builder:
    def __init__(self, site: Site, state: State, parted: str | None) -> None:
        self.site, self.state, self.parted = site, state, parted
        self.wiring = Wiring()

    def build(self) -> Wiring:
        plan = self.site.plan
        self._supply()
        for board in plan.boards:
            self._board(board)
        for circuit in plan.circuits:
            truth = self.site.circuits[circuit.id]
            self._circuit(circuit, truth.mended() if circuit.id in self.state.mended else truth)
        for earth in plan.earths:
            found = self.site.earths[earth.id]
            board_id = earth.board or self._main_board()
            self._earth(earth.id, found.mended() if earth.id in self.state.mended else found, board_id)
        for appliance in plan.appliances:
            thing = self.site.appliances[appliance.id]
            thing = thing.mended() if appliance.id in self.state.mended else thing
            self._appliance(appliance.id, thing, appliance.cord, appliance.appliance_class is ApplianceClass.II)
        for extra in self.site.extras:
            if extra.a.partition("/")[0] not in self.state.mended:
                self.wiring.wire(f"{extra.a}>", f"{extra.b}>", extra.ohm)
        return self.wiring

    def _main_board(self) -> str | None:
        return next((board.id for board in self.site.plan.boards if board.feed is None), None)

    def _supply(self) -> None:
        plan, supply = self.site.plan, self.site.supply
        if plan.supply is None:
            return
        system, wire = plan.supply.system, self.wiring.wire
        if system is not EarthingSystem.IT:
            wire(STAR, GROUND, supply.source_earth_ohm)
        if system is EarthingSystem.TN_S:
            wire(origin(EARTH), STAR, supply.earth_ohm)
        if system is EarthingSystem.TN_C_S and not any(board.neutral_earth_link for board in plan.boards):
            wire(origin(EARTH), origin(NEUTRAL), 0)
        if self.state.supply_on:
            for line in self.site.lines:
                wire(source(line), origin(line), supply.loop_ohm / 2)
            wire(origin(NEUTRAL), STAR, supply.loop_ohm / 2)

    def _board(self, board: Board) -> None:
        lines, wire = self.site.lines, self.wiring.wire
        for conductor in (*lines, NEUTRAL, EARTH):
            start = bus(board.feed, conductor) if board.feed else origin(conductor)
            wire(start, near(board.id, conductor, 0), 0)
        self._run(board.id, 0, (*lines, NEUTRAL, EARTH), Run(float(board.cable.length_m or 0)), board.cable)
        switch = board.main_switch
        for conductor in (*lines, NEUTRAL, EARTH):
            closed = conductor == EARTH or not switch or self._allows(switch, conductor, "on")
            ohm = self._contact(switch) if switch and conductor != EARTH else 0.0
            wire(far(board.id, conductor, 0), bus(board.id, conductor), ohm if closed else inf)
            wire(bus(board.id, conductor), far(board.id, conductor, 1), 0)
        if board.neutral_earth_link and self.state.positions[board.neutral_earth_link] == "in":
            link = board.neutral_earth_link
            wire(bus(board.id, NEUTRAL), bus(board.id, EARTH), self._contact(link))

    def _circuit(self, circuit: Circuit, truth: CircuitTruth) -> None:
        lines = lines_of_circuit(circuit)
        straps = strapper_runs(circuit.path)
        for conductor in (*lines, NEUTRAL, EARTH):
            if circuit.id != self.parted or conductor in (NEUTRAL, EARTH):
                self.wiring.wire(bus(circuit.board, conductor), near(circuit.id, conductor, 0), 0)
        for k, run in enumerate(truth.runs):
            if k > 0:
                self._device(circuit, k, lines, straps)
            conductors = STRAPPERS if k in straps else lines
            self._run(circuit.id, k, (*conductors, NEUTRAL, EARTH), run, truth.cable)
        self._load(circuit.id, lines, truth)
        if bridge := self.state.bridges.get(circuit.id):
            a, b = (far(circuit.id, conductor, len(truth.runs) - 1) for conductor in bridge)
            self.wiring.wire(a, b, BRIDGE_OHM)

    def _device(self, circuit: Circuit, k: int, lines: tuple[str, ...], straps: frozenset[int]) -> None:
        """The k-th device, between run k-1 and run k."""
        device = circuit.path[k - 1]
        for a, b in _paths(device, lines, k - 1 in straps, k in straps, self.state.positions):
            shut = self._allows(device.id, a)
            switched = a != EARTH and (a != NEUTRAL or _switches_neutral(device))
            ohm = self._contact(device.id) if switched else 0.0
            self.wiring.wire(far(circuit.id, a, k - 1), near(circuit.id, b, k), ohm if shut else inf)

    def _load(self, item: str, lines: tuple[str, ...], truth: CircuitTruth) -> None:
        load, last = truth.load, len(truth.runs) - 1
        if load is None or item not in self.state.plugged:
            return
        neutral, earth = far(item, NEUTRAL, last), far(item, EARTH, last)
        for line in lines:
            self.wiring.wire(far(item, line, last), neutral, load.ohm)
            self.wiring.wire(far(item, line, last), earth, load.earth_leak_ohm)
            self.wiring.capacitors.append((far(item, line, last), earth, load.filter_farad))
        self.wiring.capacitors.append((neutral, earth, load.filter_farad))

    def _earth(self, item: str, truth: EarthTruth, board: str | None) -> None:
        if board is not None:
            self.wiring.wire(bus(board, EARTH), near(item, EARTH, 0), 0)
        self._run(item, 0, (EARTH,), truth.run, truth.cable)
        self.wiring.wire(far(item, EARTH, 0), GROUND, truth.electrode_ohm)

    def _appliance(self, item: str, truth: ApplianceTruth, cord: Cable, class_ii: bool) -> None:
        wire = self.wiring.wire
        touched = BODY if class_ii else EARTH
        self._run(item, 0, ("L", NEUTRAL, *(() if class_ii else (EARTH,))), truth.cord, cord, flexible=True)
        wire(far(item, "L", 0), far(item, NEUTRAL, 0), truth.element_ohm)
        for conductor in ("L", NEUTRAL):
            if class_ii:
                leak = truth.cord.leak_ohm.get((conductor, BODY), self._healthy(truth.cord.length_m))
                wire(far(item, conductor, 0), far(item, BODY, 0), leak)
            self.wiring.capacitors.append((far(item, conductor, 0), far(item, touched, 0), truth.filter_farad))
        if not class_ii:
            wire(far(item, EARTH, 0), far(item, BODY, 0), truth.bond_ohm)

    def _run(
        self, item: str, k: int, conductors: tuple[str, ...], run: Run, cable: Cable, *, flexible: bool = False
    ) -> None:
        sizes = cable_sizes(cable, conductors)
        for conductor in conductors:
            size = sizes[conductor]
            ohm = self._copper_ohm(size, run.length_m, flexible) + run.extra_ohm.get(conductor, 0.0)
            ohm = inf if conductor in run.open else ohm
            self.wiring.wire(near(item, conductor, k), far(item, conductor, k), ohm)
        for a, b in combinations(conductors, 2):
            leak = run.leak_ohm.get((a, b), self._healthy(run.length_m))
            self.wiring.wire(far(item, a, k), far(item, b, k), leak)
            self.wiring.capacitors.append((far(item, a, k), far(item, b, k), run.length_m * self.site.farad_per_m))

    def _copper_ohm(self, size: Decimal | None, length_m: float, flexible: bool) -> float:
        """Of one conductor at the site's temperature; 0 for an unsaid size."""
        per_km = ohm_per_km(size, 5 if flexible else 2) if size else None
        return float(resistance(per_km, Decimal(length_m), Decimal(self.site.celsius))) if per_km else 0.0

    def _healthy(self, length_m: float) -> float:
        return self.site.insulation_ohm_m / length_m if length_m else inf

    def _allows(self, device_id: str, conductor: str, position: str | None = None) -> bool:
        if conductor in self.site.devices[device_id].open:
            return False
        return position is None or self.state.positions[device_id] == position

    def _contact(self, device_id: str) -> float:
        return self.site.devices[device_id].contact_ohm


_SHUT_IN: Final[Mapping[DeviceKind, str]] = {
    DeviceKind.BREAKER: "on",
    DeviceKind.RCD: "on",
    DeviceKind.ONE_WAY: "on",
    DeviceKind.ISOLATOR: "on",
    DeviceKind.CONTACTOR: "closed",
    DeviceKind.TWO_WAY: "1",
}
"""The position in which a plain switch of each kind is closed (a two-way one only where it has no partner)."""


def _switches_neutral(device: Device) -> bool:
    return device.poles in (2, 4)


def _paths(
    device: Device, lines: tuple[str, ...], strapped_before: bool, strapped_after: bool, positions: Mapping[str, str]
) -> list[tuple[str, str]]:
    """Which conductors before a device are joined to which behind it, as it stands now."""
    position = positions.get(device.id, "")
    straight = device.kind not in _SHUT_IN or position == _SHUT_IN[device.kind]
    paths = [(EARTH, EARTH)]
    if straight or not _switches_neutral(device):
        paths.append((NEUTRAL, NEUTRAL))
    if strapped_before and strapped_after:
        if not straight:
            return paths
        crossed = position == "crossed"
        return [*paths, *zip(STRAPPERS, reversed(STRAPPERS) if crossed else STRAPPERS, strict=True)]
    if strapped_before:
        return [*paths, (f"S{position}", lines[0])]
    if strapped_after:
        return [*paths, (lines[0], f"S{position}")]
    return paths + ([(line, line) for line in lines] if straight else [])
