"""Hunting a fault after a reading of the whole that fails: which breakers to open next, and what each part must be.

The installation falls into parts: what each circuit's first switch leaves out, and the rest, which no switch does
(bars, and the neutrals of circuits whose switch leaves them in). Should the rest be faulty, it falls into finer parts:
neutrals, circuits without a switch and feeds, which are taken off their bars by hand. How readings become bounds:
`bounds`; what to read next: `hunting`; how it is told: `hunt_words`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from logger.job.bounds import Span, Sum
from logger.job.conductors import EARTH, NEUTRAL, lines_of_circuit
from logger.job.hunting import Verdicts, verdicts
from logger.job.joins import Spoiler
from logger.job.model import Circuit, DeviceKind
from logger.job.network import Network, has_own_source, passes
from logger.job.reach import reach
from logger.job.reach_model import Reach
from logger.job.setup import Alteration, SetUp, standing
from logger.job.steps_walk import DEAD, Step, Walk
from logger.job.wiring import SUPPLY
from logger.quantity import Test

REST: Final = "the rest"
"""The part that is in every reading."""

OFF: Final = "disconnected"
"""How a conductor is that was taken off its terminal."""

CURES_AT_MOST: Final = 6
"""Rounds of taking away what spoils a reading: supply, bridges, links, surge devices, loads, and one to see."""

SWITCHES: Final = frozenset({DeviceKind.BREAKER, DeviceKind.RCD, DeviceKind.ISOLATOR, DeviceKind.ONE_WAY})
"""Devices that leave the rest of a circuit out of a reading."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the installation that one move leaves out.

    Attributes:
        id: what it is called: a circuit's id, `neutral of C3`, or `the rest`.
        segments: its runs.
        device: the switch that leaves it out, which is then `off`; empty where none does.
        conductors: the segments to take off their terminals instead.
    """

    id: str
    segments: frozenset[str]
    device: str = ""
    conductors: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Whole:
    """One insulation reading: what it reached, and the conductance that it shows. `entry` in the log, if any."""

    reach: Reach
    span: Span
    entry: int | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """Where the hunt stands.

    Attributes:
        limit_mohm: least insulation of a part by itself.
        parts: all parts, in the order of the plan, the rest last.
        verdicts: what the readings say about them, and which to read next.
        next_steps: what to set, alter and read next; empty where the hunt is over.
        spoiled_by: what must be taken away before any reading counts; while there is any, nothing else is proposed.
    """

    between: str
    at: str
    limit_mohm: float
    parts: tuple[Part, ...]
    verdicts: Verdicts
    next_steps: tuple[Step, ...]
    spoiled_by: tuple[Spoiler, ...]

    @property
    def is_done(self) -> bool:
        """Whether nothing is left to read."""
        return not self.next_steps


def hunt(
    network: Network, setup: SetUp, between: str, at: str, readings: Sequence[Whole], limit_mohm: float
) -> Finding:
    """Where the hunt stands after `readings`, and what to do next from `setup`.

    Args:
        readings: insulation readings between the same conductors, oldest first, none of them spoiled.
        limit_mohm: least insulation, megohm.
    """
    now = reach(network, setup, Test.INSULATION, between, at)
    whole = _everything_in(network, setup)
    parts = by_switches(network, whole, between, at)
    said = verdicts([part.id for part in parts], REST, list(_sums(parts, readings)), limit_mohm)
    if REST in said.faulty:
        parts = (*parts[:-1], *by_conductors(network, whole, between, at))
        said = verdicts([part.id for part in parts], REST, list(_sums(parts, readings)), limit_mohm)
    steps: tuple[Step, ...] = ()
    if said.next_group is not None and now.spoiled_by:
        steps = _cures(network, setup, between, at)
    elif said.next_group is not None:
        steps = tuple(_next(network, setup, parts, said.next_group, between, at))
    return Finding(between, at, limit_mohm, parts, said, steps, now.spoiled_by)


# -- parts ------------------------------------------------------------------------------------------------------------


def _everything_in(network: Network, setup: SetUp) -> SetUp:
    """The set-up with all switches on and all conductors under their terminals; all else as it is."""
    closed = {name: _closed(network, name) for name in _switches(network).values()}
    off = {each.what for each in standing(network, setup).off.values()}
    kept = tuple(each for each in setup.alterations if each.what not in off)
    return replace(_with(setup, closed), alterations=kept)


def by_switches(network: Network, whole: SetUp, between: str, at: str) -> tuple[Part, ...]:
    """A part for each circuit that a switch leaves out, and the rest. `whole`: the set-up with everything in."""
    reached = frozenset(reach(network, whole, Test.INSULATION, between, at).reached) - _earth(network)
    parts = []
    for circuit_id, name in _switches(network).items():
        less = reach(network, _with(whole, {name: "off"}), Test.INSULATION, between, at)
        held = frozenset(segment for segment in reached - frozenset(less.reached))
        if held:
            parts.append(Part(circuit_id, held, name))
    taken = frozenset().union(*(part.segments for part in parts))
    return (*parts, Part(REST, reached - taken))


def by_conductors(network: Network, whole: SetUp, between: str, at: str) -> tuple[Part, ...]:
    """What the rest falls into: a part for each thing that hangs on the bars with every switch off, and the bars."""
    bare = _with(whole, dict.fromkeys(_switches(network).values(), "off"))
    reached = frozenset(reach(network, bare, Test.INSULATION, between, at).reached) - _earth(network)
    parts: list[Part] = []
    for name, off in _off_the_bars(network, at):
        taken_off = tuple(segment for segment in off if segment in reached)
        apart = replace(bare, alterations=(*bare.alterations, *(Alteration(each, OFF) for each in taken_off)))
        held = reached - frozenset(reach(network, apart, Test.INSULATION, between, at).reached)
        if any(network.segments[each].length_m != 0 for each in held):  # more than a stub inside the board
            parts.append(Part(name, held, conductors=taken_off))
    taken = frozenset().union(*(part.segments for part in parts))
    return (*parts, Part(REST, reached - taken))


def _off_the_bars(network: Network, at: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    """What can be taken off the bars of a board by hand: neutrals, circuits without a switch, feeds of sub-boards."""
    for circuit in network.circuits.values():
        if circuit.board == at and not has_own_source(circuit, network.plan):
            switch = first_switch(circuit)
            conductors = (NEUTRAL,) if switch else (*lines_of_circuit(circuit), NEUTRAL)
            name = f"neutral of {circuit.id}" if switch else circuit.id
            yield name, tuple(f"{circuit.id}/{conductor}/0" for conductor in conductors)
    for board in network.boards.values():
        if board.feed == at:
            yield f"feed of {board.id}", tuple(f"{board.id}/{c}/0" for c in (*network.lines, NEUTRAL))


def first_switch(circuit: Circuit) -> str | None:
    """The first device of a circuit that leaves what lies behind it out of a reading."""
    return next((device.id for device in circuit.path if device.kind in SWITCHES), None)


def _switches(network: Network) -> dict[str, str]:
    """The first switch of every circuit that has one."""
    return {each.id: switch for each in network.circuits.values() if (switch := first_switch(each))}


def _closed(network: Network, device: str) -> str:
    return next(iter(passes(network.devices[device]) or ()), "on")


def _earth(network: Network) -> frozenset[str]:
    return frozenset(name for name, segment in network.segments.items() if segment.conductor == EARTH)


def _with(setup: SetUp, positions: Mapping[str, str]) -> SetUp:
    return replace(setup, positions={**setup.positions, **positions})


def _sums(parts: Sequence[Part], readings: Iterable[Whole]) -> Iterator[Sum]:
    """Each reading as a bound on parts: on those it holds whole from above, on those it touches from below."""
    for reading in readings:
        reached = frozenset(reading.reach.reached)
        touched = frozenset(part.id for part in parts if part.segments & reached)
        whole = frozenset(part.id for part in parts if part.segments and part.segments <= reached)
        if touched:
            yield Sum(touched, reading.span if touched == whole else Span(low=reading.span.low))
        if whole and touched != whole:
            yield Sum(whole, Span(high=reading.span.high))


# -- what to do next --------------------------------------------------------------------------------------------------


def _next(
    network: Network, setup: SetUp, parts: Sequence[Part], group: frozenset[str], between: str, at: str
) -> Iterator[Step]:
    """The moves from `setup` to a reading over `group` and nothing else, then the reading."""
    stand = standing(network, setup)
    for part in parts:
        wanted = part.id in group
        if part.device:
            position = _closed(network, part.device) if wanted else "off"
            if stand.positions[part.device] != position:
                yield Step("set", {"device": part.device, "position": position})
        for conductor in part.conductors:
            if wanted and conductor in stand.off:
                yield Step("restore", {"what": stand.off[conductor].what}, "it belongs to the next reading")
            elif not wanted and conductor not in stand.off:
                yield Step("alter", {"what": conductor, "to": OFF}, "to leave it out of the next reading")
    yield Step("select", {"item": at, "test": Test.INSULATION.value, "between": between})
    yield Step("take")


def _cures(network: Network, setup: SetUp, between: str, at: str) -> tuple[Step, ...]:
    """What to take away before a reading counts, and the reading."""
    walk = Walk(network, setup, Test.INSULATION, between)
    for _ in range(CURES_AT_MOST):
        spoilers = walk.reach_at(at).spoiled_by
        if any(each.what == SUPPLY for each in spoilers):
            first = network.boards[network.way_up(at)[-1]]
            walk.put(first.main_switch or SUPPLY, "off", DEAD)
        elif not walk.cure(spoilers):
            break
    walk.take(at)
    return walk.steps
