"""What joins conductors that a test holds apart: links, bridges, loads, surge devices; and a supply that must be off.

Each is told with why, and with what the meter would then show.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from logger.job.conductors import EARTH, NEUTRAL, lines_of_circuit
from logger.job.islands import Islands
from logger.job.model import Load
from logger.job.network import Network
from logger.job.setup import Standing
from logger.job.wiring import SUPPLY
from logger.quantity import Test

PLUS: Final = -1
MINUS: Final = -2
"""The two leads, among islands, which count from 0."""


class JoinKind(StrEnum):
    """What kind of thing joins two conductors."""

    LINK = "link"
    BRIDGE = "bridge"
    SURGE = "surge device"
    LOAD = "load"


@dataclass(frozen=True, slots=True)
class Join:
    """Two segments of different conductors that are joined. `target`: link, circuit, or the bridge as it was said."""

    one: str
    other: str
    kind: JoinKind
    target: str


@dataclass(frozen=True, slots=True)
class Spoiler:
    """Why a reading would not mean what it seems to.

    Attributes:
        what: what is wrong, in a word or two.
        why: how it comes to spoil the reading.
        reads_like: what the meter would show.
        cause: what kind of join; None for the supply and for what is missing.
        target: its device, circuit or bridge.
    """

    what: str
    why: str
    reads_like: str
    cause: JoinKind | None = None
    target: str = ""


LOAD_WORDS: Final[dict[str, tuple[str, str]]] = {
    "lighting": ("lamps of {}", "0.00 MOhm, a dead short: a lamp is a few hundred ohms"),
    "heating": ("heating elements of {}", "0.00 MOhm, a dead short: an element is a few tens of ohms"),
    "motor": ("windings of {}", "0.00 MOhm, a dead short: a winding is a few ohms"),
    "electronics": ("electronics of {}", "anything from 0.00 MOhm up, and the test voltage can destroy them"),
    "sockets": ("appliances at {}", "anything from 0.00 MOhm up: as whatever is plugged in"),
    "mixed": ("loads of {}", "0.00 MOhm, or a few MOhm: as the loads"),
}
"""By kind of load: what it is called, and what it reads like between line and neutral."""


def joins(network: Network, standing: Standing) -> Iterator[Join]:
    """Everything that joins conductors as things stand, in the order of the plan."""
    for board in network.boards.values():
        link = board.neutral_earth_link
        if link and standing.positions.get(link) == "in":
            yield Join(network.bar(board.id, NEUTRAL), network.bar(board.id, EARTH), JoinKind.LINK, link)
    for bridge in standing.bridges:
        for segment in bridge.segments[1:]:
            yield Join(bridge.segments[0], segment, JoinKind.BRIDGE, bridge.what)
    for circuit in network.circuits.values():
        if circuit.load is None or circuit.id in standing.unplugged:
            continue
        neutral, earth = network.end(circuit.id, NEUTRAL), network.end(circuit.id, EARTH)
        ends = [network.end(circuit.id, line) for line in lines_of_circuit(circuit)]
        yield from (Join(end, neutral, JoinKind.LOAD, circuit.id) for end in ends)
        if circuit.load.surge_protected and circuit.id not in standing.surge_out:
            yield from (Join(end, earth, JoinKind.SURGE, circuit.id) for end in (*ends, neutral))


def between_leads(
    found: Islands, all_joins: Iterable[Join], plus: frozenset[int], minus: frozenset[int]
) -> tuple[Join, ...]:
    """Those joins through which the leads meet: each lies on a way from one to the other that never meets itself."""
    places = {island: PLUS if island in plus else MINUS if island in minus else island for island in found.of.values()}
    edges = [(places[found.of[join.one]], places[found.of[join.other]], join) for join in all_joins]
    on_a_way = on_ways([(one, other) for one, other, _ in edges])
    return tuple(join for place, (_, _, join) in enumerate(edges) if place in on_a_way)


def on_ways(edges: list[tuple[int, int]]) -> frozenset[int]:
    """The places in `edges` of those that lie on a simple way from `PLUS` to `MINUS`.

    An edge does if and only if it shares a block (a part that no single node can split) with an edge from `PLUS`
    straight to `MINUS`. So one is added, and the depth-first search for blocks (Hopcroft and Tarjan) walks it first.
    """
    added = len(edges)
    around: dict[int, list[tuple[int, int]]] = {PLUS: [(MINUS, added)], MINUS: []}
    for place, (one, other) in enumerate(edges):
        if one != other:
            around.setdefault(one, []).append((other, place))
            around.setdefault(other, []).append((one, place))
    depth, lowest = {PLUS: 0, MINUS: 1}, {PLUS: 0, MINUS: 1}
    held: list[int] = []
    stack = [(MINUS, added, iter(around[MINUS]))]
    while stack:
        node, came_by, further = stack[-1]
        for other, edge in further:
            if edge == came_by:
                continue
            if other not in depth:
                held.append(edge)
                depth[other] = lowest[other] = depth[node] + 1
                stack.append((other, edge, iter(around[other])))
                break
            if depth[other] < depth[node]:
                held.append(edge)
                lowest[node] = min(lowest[node], depth[other])
        else:
            stack.pop()
            if stack:
                above = stack[-1][0]
                lowest[above] = min(lowest[above], lowest[node])
                if lowest[node] >= depth[above]:  # `above` alone holds this block to the rest
                    del held[held.index(came_by) :]
    return frozenset(held)


def spoiler_of(network: Network, join: Join, test: Test) -> Spoiler:
    """What one join does to a test."""
    insulation = test is Test.INSULATION
    shown = "0.00 MOhm, a dead short" if insulation else "less than there is: a second way past the wiring"
    if join.kind is JoinKind.LINK:
        why = f"the neutral-earth link {join.target} is in and joins neutral to earth"
        return Spoiler(join.target, why, f"{shown}, though the wiring may be sound", JoinKind.LINK, join.target)
    if join.kind is JoinKind.BRIDGE:
        why = f"the bridge {join.target} joins what the leads must hold apart"
        return Spoiler(join.target, why, f"{shown}, though the wiring may be sound", JoinKind.BRIDGE, join.target)
    load = network.circuits[join.target].load or Load("mixed")
    if join.kind is JoinKind.SURGE:
        what = f"surge device of {join.target}"
        why = f"the {what} is in and conducts to earth at the test voltage"
        reads_like = "far less than the cable, down to 0.00 MOhm: the voltage at which it conducts"
        return Spoiler(what, why, reads_like, JoinKind.SURGE, join.target)
    called, reads_like = LOAD_WORDS.get(load.kind, LOAD_WORDS["mixed"])
    what = called.format(join.target)
    why = f"the {what} are in and join line to neutral"
    return Spoiler(what, why, reads_like if insulation else shown, JoinKind.LOAD, join.target)


def supply_spoiler(network: Network, standing: Standing, found: Islands, on_leads: frozenset[int]) -> Spoiler | None:
    """The supply, where it stands on a conductor that a dead test touches."""
    alive = [name for name in (*network.lines, NEUTRAL) if found.of.get(f"{SUPPLY}/{name}", -1) in on_leads]
    if not alive or standing.positions.get(SUPPLY) != "on":
        return None
    switches = [
        board.main_switch
        for board in network.boards.values()
        if board.feed is None and board.main_switch and standing.positions.get(board.main_switch) == "on"
    ]
    how = f"main switch {' and '.join(switches)} is on" if switches else "no main switch parts it"
    why = f"the supply is connected: {how}; this test is taken dead"
    return Spoiler(SUPPLY, why, "nothing that counts: the leads would be live", None, SUPPLY)


def no_supply_spoiler(network: Network, standing: Standing) -> Iterator[Spoiler]:
    """What keeps a live test from being taken: the supply parted, a link out, a bridge left in."""
    if standing.positions.get(SUPPLY) != "on":
        yield Spoiler(SUPPLY, "the supply is parted; this test needs it", "no voltage: the meter measures nothing")
    for board in network.boards.values():
        link = board.neutral_earth_link
        if link and standing.positions.get(link) == "out":
            why = f"the neutral-earth link {link} is out: earth may have no way back to the source"
            yield Spoiler(link, why, "a loop far too high, or none", JoinKind.LINK, link)
    for bridge in standing.bridges:
        why = f"the bridge {bridge.what} is in: with the supply on it is a short circuit"
        yield Spoiler(bridge.what, why, "nothing: do not switch on", JoinKind.BRIDGE, bridge.what)
