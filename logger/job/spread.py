"""Reach of a test that sees everything its leads conduct to: insulation resistance.

Both leads sit on the point of connection; each holds all runs that closed contacts (and bridges) join to it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from logger.errors import InputWrong
from logger.job.alterations import AlterationKind, meaning_of
from logger.job.conductors import EARTH, LINE, NEUTRAL, expanded
from logger.job.islands import Because, Gap, Islands, islands, reasons
from logger.job.joins import Spoiler, between_leads, joins, spoiler_of, supply_spoiler
from logger.job.model import Circuit
from logger.job.network import Network, Segment
from logger.job.reach_model import Question, Reach, Unreached, ordered, shares
from logger.job.setup import SetUp, Standing, standing, where_joined
from logger.job.wiring import first_run_outside

SENSITIVE_LOADS = frozenset({"electronics", "mixed"})
"""Loads that a test voltage can destroy, or that upset the reading (domain figures, insulation exceptions)."""


def spread(network: Network, setup: SetUp, question: Question) -> Reach:
    """What the test reaches.

    Raises:
        InputWrong: where it is not asked between two leads.
    """
    if len(question.between.groups) != 2:
        raise InputWrong(
            f"{question.test} between {question.between.text!r} has no two leads", "say for example L+N/PE or L/N"
        )
    stand = standing(network, setup)
    touched, found = _touched(network, stand, islands(network, stand), question)
    bridged = [
        (found.of[bridge.segments[0]], found.of[other]) for bridge in stand.bridges for other in bridge.segments[1:]
    ]
    plus, minus = _leads(found, touched, bridged)
    drawn = {*network.boards, *network.circuits}  # earthing conductors hang on earth and are no part of the question
    held = {
        s.id: found.of[s.id]
        for s in network.segments.values()
        if s.item in drawn and found.of[s.id] in plus | minus and question.concerns(network, s)
    }
    scope = list(_scope(network, question))
    reached = tuple(segment.id for segment in scope if segment.id in held)
    by_count, by_length = shares(reached, scope)
    return Reach(
        test=question.test,
        between=question.between.text,
        at=question.at,
        plus=tuple(name for name, island in held.items() if island in plus),
        minus=tuple(name for name, island in held.items() if island in minus),
        reached=reached,
        unreached=_unreached(network, found, scope, reasons(found, plus | minus, bridged)),
        spoiled_by=tuple(_spoilers(network, stand, found, (plus, minus), question)),
        notes=tuple(_notes(network, setup, stand, question, reached)),
        share_count=by_count,
        share_length=by_length,
    )


def _unreached(
    network: Network, found: Islands, scope: Iterable[Segment], kept_off: Mapping[int, frozenset[Because]]
) -> tuple[Unreached, ...]:
    """The runs of the question that are on neither lead: those on one have an empty reason."""
    reasons_why = ((segment.id, kept_off.get(found.of[segment.id])) for segment in scope)
    return tuple(Unreached(name, ordered(network, why or ())) for name, why in reasons_why if why or why is None)


def _scope(network: Network, question: Question) -> Iterator[Segment]:
    """Of a board the whole installation, else the item's own runs; earthing conductors only where they are the item."""
    whole = question.at in network.boards
    items = {*network.boards, *network.circuits} if whole else {question.at}
    for segment in network.segments.values():
        if segment.item in items and question.concerns(network, segment):
            yield segment


def _touched(
    network: Network, stand: Standing, found: Islands, question: Question
) -> tuple[list[frozenset[str]], Islands]:
    """The segments that each lead touches; where a bridge is said to be missing, a lead holds one conductor only."""
    touched: list[frozenset[str]] = []
    gaps: list[Gap] = []
    for group in question.between.groups:
        names = [(name, _clip(network, question, name)) for name in group]
        missing = next((said for meaning, said in stand.missing if len(set(meaning.conductors) & set(group)) > 1), None)
        kept, lost = (names[:1], names[1:]) if missing else (names, [])
        touched.append(frozenset(segment for _, segments in kept for segment in segments))
        if missing and kept[0][1]:
            first = found.of[kept[0][1][0]]
            gaps += [Gap(first, found.of[s], Because(missing.what, missing.to)) for _, ss in lost for s in ss]
    return touched, replace(found, gaps=(*found.gaps, *gaps))


def _clip(network: Network, question: Question, conductor: str) -> list[str]:
    """Where a lead touches a conductor: a board's bar, or a circuit where it leaves the board."""
    names = question.lines if conductor == LINE else expanded((conductor,), question.lines)
    if question.at in network.boards:
        return [network.bar(question.at, name) for name in names]
    circuit = network.circuits.get(question.at)
    run = first_run_outside(circuit.path) if circuit else 0
    found = [f"{question.at}/{name}/{run}" for name in names]
    return [name for name in found if name in network.segments]


def _leads(
    found: Islands, touched: list[frozenset[str]], bridged: list[tuple[int, int]]
) -> tuple[frozenset[int], frozenset[int]]:
    """The islands on either lead, over bridges too; a bridge from lead to lead spoils and carries nothing over."""
    sides = {island: side for side in (0, 1) for island in found.containing(touched[side])}
    grown = True
    while grown:
        grown = False
        for pair in bridged:
            for one, other in (pair, pair[::-1]):
                if one in sides and other not in sides:
                    sides[other] = sides[one]
                    grown = True
    plus, minus = (frozenset(island for island, on in sides.items() if on == side) for side in (0, 1))
    return plus, minus


def _spoilers(
    network: Network, stand: Standing, found: Islands, leads: tuple[frozenset[int], frozenset[int]], question: Question
) -> Iterator[Spoiler]:
    supply = supply_spoiler(network, stand, found, leads[0] | leads[1])
    if supply is not None:
        yield supply
    told: set[Spoiler] = set()
    for join in between_leads(found, joins(network, stand), *leads):
        spoiler = spoiler_of(network, join, question.test)
        if spoiler not in told:
            told.add(spoiler)
            yield spoiler


def _notes(
    network: Network, setup: SetUp, stand: Standing, question: Question, reached: tuple[str, ...]
) -> Iterator[str]:
    for group in question.between.groups:
        if len(group) > 1 and not _is_bridged(network, stand, question, group) and not stand.missing:
            yield f"{'+'.join(group)} are taken to be joined on one lead at {question.at}: bridge them"
    for circuit in _loaded(network, stand, reached):
        load = circuit.load
        if load is not None and load.kind in SENSITIVE_LOADS:
            yield f"{circuit.id}: electronics are in the circuit; unplug them or the test voltage can destroy them"
        elif load is not None and load.kind == "heating" and EARTH in question.between.conductors:
            yield f"{circuit.id}: the heating element is in the reading; a damp one reads low though the cable is sound"
    yield from not_reckoned(network, setup)


def not_reckoned(network: Network, setup: SetUp) -> Iterator[str]:
    """Alterations whose words name no part of the network."""
    for each in setup.alterations:
        if meaning_of(network, each.what, each.to).kind is AlterationKind.OTHER:
            yield f"{each.what} is {each.to}: not in the drawing, so not reckoned with"


def _is_bridged(network: Network, stand: Standing, question: Question, group: tuple[str, ...]) -> bool:
    wanted = frozenset(where_joined(network, question.at, group))
    return any(wanted <= frozenset(bridge.segments) for bridge in stand.bridges)


def _loaded(network: Network, stand: Standing, reached: tuple[str, ...]) -> Iterator[Circuit]:
    """Circuits whose load hangs on a lead."""
    held = frozenset(reached)
    for circuit in network.circuits.values():
        ends = [network.end(circuit.id, s) for s in (*network.lines, NEUTRAL)]
        if circuit.load and circuit.id not in stand.unplugged and held & frozenset(ends):
            yield circuit
