"""Installations for the tests: the studio by hand, and random ones; and an oracle of what conducts to what.

The oracle wires the plan anew, by its own reading of the naming rule, into a networkx graph: it shares no code with
`logger.job.network`.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from decimal import Decimal

import networkx as nx

from logger.job.model import (
    Board,
    Cable,
    Circuit,
    Decision,
    Device,
    DeviceKind,
    Earth,
    EarthingSystem,
    EarthKind,
    JobKind,
    Load,
    Plan,
    Supply,
)

D = DeviceKind


def studio(*circuits: Circuit, link: str | None = "LK1", boards: tuple[Board, ...] = (), phases: int = 1) -> Plan:
    """A single board DB1 with main switch Q0 and link LK1; further boards as given."""
    first = Board("DB1", main_switch="Q0", neutral_earth_link=link)
    return Plan(
        title="Pottery studio",
        kind=JobKind.INSTALLATION,
        rules="iec",
        decision=Decision.SIMPLE,
        supply=Supply(EarthingSystem.TN_C_S, Decimal(230), phases),
        boards=(first, *boards),
        circuits=circuits,
        earths=(Earth("E1", EarthKind.MAIN_EARTH, board="DB1", cable=Cable(length_m=Decimal(9))),),
    )


def circuit(
    item: str,
    *devices: Device,
    load: str | None = None,
    name: str = "",
    phase: str = "L",
    ring: bool = False,
    surge: bool = False,
    nominal_v: Decimal | None = None,
) -> Circuit:
    """A circuit on DB1 with 24 m of cable; `surge` puts a surge device into its load."""
    fitted = Load(load, surge_protected=surge) if load else None
    cable = Cable(length_m=Decimal(24))
    return Circuit(
        item, "DB1", name, cable=cable, load=fitted, path=devices, phase=phase, ring=ring, nominal_v=nominal_v
    )


def device(name: str, kind: DeviceKind, poles: int = 1) -> Device:
    return Device(name, kind, poles)


def lights() -> Circuit:
    """Breaker, then a two-way pair with an intermediate, then lamps."""
    return circuit(
        "C3",
        device("Q3", D.BREAKER),
        device("S3", D.TWO_WAY),
        device("S4", D.INTERMEDIATE),
        device("S5", D.TWO_WAY),
        load="lighting",
    )


# -- random installations ---------------------------------------------------------------------------------------------

PLAIN = (D.BREAKER, D.RCD, D.ONE_WAY, D.ISOLATOR, D.CONTACTOR, D.JOINT)


def random_plan(rng: random.Random, *, most_boards: int = 4, most_circuits: int = 7, most_devices: int = 6) -> Plan:
    """Boards in a tree (now and then two supplies), circuits of random devices on them, one phase or three."""
    phases = rng.choice((1, 1, 3))
    boards: list[Board] = []
    for number in range(rng.randint(1, most_boards)):
        feed = rng.choice(boards).id if boards and rng.random() < 0.9 else None
        switch = f"Q{number}00" if rng.random() < 0.8 else None
        link = f"LK{number}" if rng.random() < 0.4 else None
        boards.append(Board(f"DB{number}", main_switch=switch, neutral_earth_link=link, feed=feed))
    circuits = [
        random_circuit(rng, f"C{number}", rng.choice(boards).id, phases, most_devices)
        for number in range(rng.randint(0, most_circuits))
    ]
    plan = studio(*circuits, phases=phases)
    return Plan(**{**plan.__dict__, "boards": tuple(boards), "earths": ()})


def random_circuit(rng: random.Random, name: str, board: str, phases: int, most_devices: int) -> Circuit:
    """A circuit with up to `most_devices` devices; on one phase with two-way pairs and intermediates now and then."""
    phase = "L" if phases == 1 else rng.choice(("L1", "L2", "L3", "L1L2L3"))
    devices: list[Device] = []

    def add(kind: DeviceKind) -> None:
        poles = 1 if kind in {D.TWO_WAY, D.INTERMEDIATE} else rng.choice((1, 2))
        devices.append(Device(f"{name}d{len(devices)}", kind, poles))

    while len(devices) < rng.randint(0, most_devices):
        if phase != "L1L2L3" and rng.random() < 0.35:
            add(D.TWO_WAY)
            for _ in range(rng.choice((0, 0, 1, 2))):
                add(rng.choice((D.INTERMEDIATE, D.INTERMEDIATE, D.JOINT)))
            add(D.TWO_WAY)
        else:
            add(rng.choice(PLAIN))
    load = Load(rng.choice(("lighting", "heating", "sockets")), surge_protected=rng.random() < 0.2)
    length = Decimal(rng.randint(1, 60)) if rng.random() < 0.7 else None
    return Circuit(name, board, path=tuple(devices), phase=phase, load=load, cable=Cable(length_m=length))


def random_positions(rng: random.Random, plan: Plan, *, usual: float = 0.7) -> dict[str, str]:
    """Every device somewhere; each in its first position with a chance of `usual`, and the supply parted at times."""
    found = {
        each.id: each.positions[0] if rng.random() < usual else rng.choice(each.positions)
        for each in plan.devices.values()
        if each.positions
    }
    found["supply"] = rng.choice(("on", "off"))
    return found


# -- the oracle -------------------------------------------------------------------------------------------------------

CLOSED = {"on", "closed"}


def wired(plan: Plan, positions: Mapping[str, str]) -> nx.Graph:
    """The plan as a graph of runs: an edge where two of them conduct to each other."""
    graph = nx.Graph()
    lines = ["L"] if plan.supply is None or plan.supply.phases == 1 else ["L1", "L2", "L3"]
    boards = {board.id: board for board in plan.boards}

    def bar(name: str, conductor: str) -> str:
        return f"{name}/{conductor}/{1 if boards[name].main_switch else 0}"

    for board in plan.boards:
        for conductor in (*lines, "N", "PE"):
            graph.add_node(f"{board.id}/{conductor}/0")
            if board.main_switch:
                graph.add_node(f"{board.id}/{conductor}/1")
                if conductor == "PE" or positions[board.main_switch] == "on":
                    graph.add_edge(f"{board.id}/{conductor}/0", f"{board.id}/{conductor}/1")
            if board.feed:
                graph.add_edge(bar(board.feed, conductor), f"{board.id}/{conductor}/0")
            elif conductor == "PE" or positions["supply"] == "on":
                graph.add_edge(f"supply {conductor}", f"{board.id}/{conductor}/0")
    for each in plan.circuits:
        _wire_circuit(graph, each, positions, bar)
    return graph


def _wire_circuit(graph: nx.Graph, each: Circuit, positions: Mapping[str, str], bar) -> None:  # type: ignore[no-untyped-def]
    lines = ["L1", "L2", "L3"] if each.phase == "L1L2L3" else [each.phase]
    now = {name: f"{each.id}/{name}/0" for name in (*lines, "N", "PE")}
    for name, run in now.items():
        graph.add_edge(bar(each.board, name), run)
    in_pair = False
    for number, part in enumerate(each.path, 1):
        stands = positions.get(part.id, "")
        opens_pair = part.kind is D.TWO_WAY and not in_pair
        ends_pair = part.kind is D.TWO_WAY and in_pair
        in_pair = opens_pair or (in_pair and not ends_pair)
        names = (["S1", "S2"] if in_pair else lines) + ["N", "PE"]
        new = {name: f"{each.id}/{name}/{number}" for name in names}
        graph.add_nodes_from(new.values())
        pairs = [("PE", "PE"), ("N", "N")]
        if opens_pair:
            pairs.append((lines[0], f"S{stands}"))
        elif ends_pair:
            pairs.append((f"S{stands}", lines[0]))
        elif part.kind is D.INTERMEDIATE:
            pairs += [("S1", "S1"), ("S2", "S2")] if stands == "straight" else [("S1", "S2"), ("S2", "S1")]
        elif part.kind is D.JOINT:
            pairs = [(name, name) for name in new]
        else:
            both = part.kind is D.RCD or part.poles == 2
            closed = stands in CLOSED
            pairs = [("PE", "PE")]
            pairs += [("N", "N")] if closed or not both else []
            pairs += [(name, name) for name in lines] if closed else []
        graph.add_edges_from((now[one], new[other]) for one, other in pairs)
        now = new
