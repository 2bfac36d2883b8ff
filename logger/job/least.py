"""The least that the devices of one circuit must be moved for a few readings to pass all its runs together.

A circuit is a chain, so what a reading passes behind a device depends only on what it passes before it and on how that
device stands. Walking the chain once, with the best way so far to every state, therefore finds the least number of
moves, exactly, for any number of devices: the work grows with their number, not with the number of their settings.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from logger.job.conductors import EARTH, NEUTRAL, is_line, lines_of_circuit
from logger.job.islands import is_closed
from logger.job.model import Circuit, Device
from logger.job.network import Contact, Network, passes
from logger.job.setup import Standing

Passed = frozenset[str]
"""The conductors of a run that one reading passes; earth, which nothing opens, is left out."""

State = tuple[Passed, ...]
"""What each reading passes of one run."""


@dataclass(frozen=True, slots=True)
class Way:
    """How the devices of a circuit stand in each reading, and how many moves that takes, back to the start included."""

    positions: tuple[Mapping[str, str], ...]
    moves: int


@dataclass(frozen=True, slots=True)
class Task:
    """What is wanted of one circuit.

    Attributes:
        needed: runs that at least one reading must pass.
        conductors: the conductors that the test is about, of those that devices open.
        whole: each reading's current must pass to the end of the circuit (else it may end anywhere).
        first: the run at which the leads touch the circuit; the devices before it can only open and close.
    """

    circuit: Circuit
    needed: frozenset[str]
    conductors: frozenset[str]
    whole: bool
    first: int = 0


def task_for(
    network: Network, circuit: Circuit, needed: frozenset[str], asked: frozenset[str], *, whole: bool, first: int = 0
) -> Task:
    """A task; `asked` are the lines and neutral of the question. Earth needs no device and drops out of `needed`."""
    conductors = frozenset(name for name in (*lines_of_circuit(circuit), NEUTRAL) if name in asked)
    opened = frozenset(s for s in needed if network.segments[s].conductor != EARTH)
    return Task(circuit, opened, conductors, whole, first)


def least_moves(network: Network, standing: Standing, task: Task, readings: int) -> Way | None:
    """The way with the fewest moves in which `readings` readings pass all that is needed; None where none does."""
    start: State = (task.conductors,) * readings
    if not _enough(task, task.first, start):
        return None
    leading = _leading(network, standing, task, readings)
    cost = sum(_moves(standing.positions.get(d.id, ""), c) for d, c in zip(task.circuit.path, leading, strict=False))
    best: dict[State, tuple[int, tuple[tuple[str, ...], ...]]] = {start: (cost, leading)}
    for place, device in list(enumerate(task.circuit.path))[task.first :]:
        found: dict[State, tuple[int, tuple[tuple[str, ...], ...]]] = {}
        now = standing.positions.get(device.id, "")
        tables = {where: _contacts(network, standing, task.circuit, place, where) for where in _places(device)}
        for choice in itertools.product(tables, repeat=readings):
            moves = _moves(now, choice) if device.positions else 0
            for before, (cost, trail) in best.items():
                behind = tuple(_pass(p, tables[c]) for p, c in zip(before, choice, strict=True))
                if _enough(task, place + 1, behind):
                    known = found.get(behind)
                    if known is None or cost + moves < known[0]:
                        found[behind] = (cost + moves, (*trail, choice))
        best = found
    ends = [held for state, held in best.items() if not task.whole or all(_is_whole(task, p) for p in state)]
    if not ends:
        return None
    cost, trail = min(ends, key=lambda held: held[0])
    movable = [(device, choice) for device, choice in zip(task.circuit.path, trail, strict=True) if device.positions]
    return Way(tuple({d.id: choice[r] for d, choice in movable} for r in range(readings)), cost)


def _leading(network: Network, standing: Standing, task: Task, readings: int) -> tuple[tuple[str, ...], ...]:
    """The devices before the leads: closed in every reading if anything beyond them is needed, else left alone."""
    beyond = [network.segments[name].run for name in task.needed if network.segments[name].run < task.first]
    nearest = min(beyond, default=task.first)
    found = []
    for place, device in enumerate(task.circuit.path[: task.first]):
        closed = next(iter(passes(device) or ()), "")
        found.append((closed if place >= nearest else standing.positions.get(device.id, ""),) * readings)
    return tuple(found)


def passable(network: Network, standing: Standing, task: Task) -> frozenset[str]:
    """The runs that a reading can pass however the devices are set."""
    states = {task.conductors}
    held: set[str] = {name for run in range(task.first + 1) for name in _runs(task.circuit, run, task.conductors)}
    for place, device in list(enumerate(task.circuit.path))[task.first :]:
        tables = [_contacts(network, standing, task.circuit, place, where) for where in _places(device)]
        states = {_pass(before, table) for before in states for table in tables}
        held |= {name for state in states for name in _runs(task.circuit, place + 1, state)}
    return frozenset(held)


def _places(device: Device) -> tuple[str, ...]:
    return device.positions or ("",)


def _moves(now: str, choice: tuple[str, ...]) -> int:
    """Moves through the readings and back to where the device stood."""
    around = (now, *choice, now)
    return sum(one != other for one, other in itertools.pairwise(around))


def _contacts(
    network: Network, standing: Standing, circuit: Circuit, place: int, where: str
) -> tuple[tuple[str, str], ...]:
    """The conductors that meet over one device (before, behind) while it stands at `where`."""
    held = {**standing.positions, circuit.path[place].id: where}
    as_set = Standing(held, standing.off, (), (), frozenset(), frozenset())
    return tuple(
        (network.segments[contact.inner].conductor, network.segments[contact.outer].conductor)
        for contact in _over(network, circuit, place)
        if is_closed(contact, as_set)
    )


def _over(network: Network, circuit: Circuit, place: int) -> Iterator[Contact]:
    for conductor in ("S1", "S2", *lines_of_circuit(circuit), NEUTRAL):
        yield from network.entrances.get(f"{circuit.id}/{conductor}/{place + 1}", ())


def _pass(before: Passed, contacts: tuple[tuple[str, str], ...]) -> Passed:
    return frozenset(outer for inner, outer in contacts if inner in before)


def _runs(circuit: Circuit, run: int, conductors: Passed) -> Iterator[str]:
    return (f"{circuit.id}/{conductor}/{run}" for conductor in conductors)


def _enough(task: Task, run: int, state: State) -> bool:
    """Whether some reading passes every run that is needed at this place of the chain."""
    passed = frozenset().union(*state)
    for conductor in ("S1", "S2", *lines_of_circuit(task.circuit), NEUTRAL):
        if f"{task.circuit.id}/{conductor}/{run}" in task.needed and conductor not in passed:
            return False
    return True


def _is_whole(task: Task, passed: Passed) -> bool:
    lines = {name for name in task.conductors if is_line(name)}
    return lines <= passed and (NEUTRAL not in task.conductors or NEUTRAL in passed)
