"""Reach of a test whose current goes along one item: continuity, loops, polarity, residual current devices.

Such a reading says something about the runs that its current passes, and only if the way is whole. A dead test looks
at the item from its board outwards; a live one at the whole way from the supply to the end of the item.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from logger.job.conductors import EARTH, NEUTRAL, STRAPPERS, expanded, is_line, lines_of_circuit
from logger.job.islands import Because, Islands, is_closed, islands, reasons
from logger.job.joins import (
    Join,
    JoinKind,
    Spoiler,
    between_leads,
    joins,
    no_supply_spoiler,
    spoiler_of,
    supply_spoiler,
)
from logger.job.network import Network, Segment, has_own_source
from logger.job.reach_model import Question, Reach, Unreached, ordered, shares
from logger.job.setup import SetUp, Standing, standing
from logger.job.spread import not_reckoned
from logger.job.wiring import SUPPLY, first_run_outside
from logger.quantity import Test

EITHER_WAY = frozenset({Test.POLARITY})
"""Tests that can be taken dead or live."""


def through(network: Network, setup: SetUp, question: Question) -> Reach:
    """What the test reaches."""
    return _Through(network, setup, question).reach()


class _Through:
    def __init__(self, network: Network, setup: SetUp, question: Question) -> None:
        self.network = network
        self.setup = setup
        self.question = question
        self.standing: Standing = standing(network, setup)
        self.found: Islands = islands(network, self.standing)
        self.groups = [expanded(group, question.lines) for group in question.between.groups]
        ring = question.test is Test.RING_CONTINUITY  # its ends are parted at the board: the cable alone is measured
        first = first_run_outside(network.circuits[question.at].path) if ring else 0
        self.scope = [s for s in network.of_item(question.at) if s.run >= first and question.concerns(network, s)]

    def reach(self) -> Reach:
        bridge = self._missing_bridge()
        if self.question.test is Test.RING_CONTINUITY:
            ways = [self._around(group) for group in self.groups]
        else:
            ways = [[] if bridge else self._along(group) for group in self.groups]
        order = self.network.in_order
        plus = order(set(ways[0]))
        minus = order({name for way in ways[1:] for name in way})
        reached = order({*plus, *minus})
        by_count, by_length = shares(reached, self.scope)
        return Reach(
            test=self.question.test,
            between=self.question.between.text,
            at=self.question.at,
            plus=plus,
            minus=minus,
            reached=reached,
            unreached=tuple(self._unreached(frozenset(reached), bridge)),
            spoiled_by=tuple(self._spoilers(bridge)),
            notes=tuple(self._notes()),
            share_count=by_count,
            share_length=by_length,
        )

    # -- the way ----------------------------------------------------------------------------------------------------

    def _ends(self, conductor: str) -> tuple[str, str]:
        """Where the current of `conductor` comes from and where it must come to."""
        at = self.question.at
        circuit = self.network.circuits.get(at)
        if circuit is not None:
            end, first = self.network.end(at, conductor), f"{at}/{conductor}/0"
            if has_own_source(circuit, self.network.plan) and conductor != EARTH:
                return first, end
        else:
            end = self.network.bar(at, conductor) if at in self.network.boards else f"{at}/{conductor}/0"
            first = f"{at}/{conductor}/0"
        if self.question.is_live:
            return f"{SUPPLY}/{conductor}", end
        before = [each.inner for each in self.network.entrances.get(first, ()) if each.inner in self.network.segments]
        return (before[0] if before else first), end

    def _along(self, group: tuple[str, ...]) -> list[str]:
        """The runs that the current passes; none of a conductor whose way is not whole."""
        passed: list[str] = []
        for conductor in group:
            start, end = self._ends(conductor)
            if end not in self.network.segments:
                continue
            if self.question.at in {earth.id for earth in self.network.plan.earths}:
                passed.append(end)  # measured by itself, off its terminal or on
            elif self.found.of[start] == self.found.of[end]:
                passed += self._inwards(end, start)
        return passed

    def _inwards(self, end: str, start: str) -> Iterator[str]:
        """From `end` towards the supply as far as `start`, through closed contacts."""
        name: str | None = end
        while name is not None and name in self.network.segments:
            if name != start or self.network.segments[name].item == self.question.at:
                yield name
            if name == start:
                return
            entrances = self.network.entrances.get(name, ())
            name = next((each.inner for each in entrances if is_closed(each, self.standing)), None)

    def _around(self, group: tuple[str, ...]) -> list[str]:
        """The runs of a ring that carry the conductors of one lead."""
        lines = any(is_line(name) for name in group)
        return [s.id for s in self.scope if s.conductor in group or (lines and s.conductor in STRAPPERS)]

    # -- why not ----------------------------------------------------------------------------------------------------

    def _unreached(self, reached: frozenset[str], bridge: Because | None) -> Iterator[Unreached]:
        sources = [self._ends(conductor)[0] for group in self.groups for conductor in group]
        kept_off = reasons(self.found, self.found.containing(sources), ())
        for segment in self.scope:
            if segment.id not in reached:
                because = kept_off.get(self.found.of[segment.id]) or self._way_broken(segment, kept_off)
                yield Unreached(segment.id, ordered(self.network, because or ({bridge} if bridge else ())))

    def _way_broken(self, segment: Segment, kept_off: Mapping[int, frozenset[Because]]) -> frozenset[Because]:
        """Why the current does not pass a run although it is joined to the board: the way is open further out."""
        ends = [self._ends(conductor)[1] for group in self.groups for conductor in group]
        alike = [
            end
            for end in ends
            if end in self.network.segments
            and is_line(self.network.segments[end].conductor) == is_line(segment.conductor)
        ]
        return frozenset(b for end in alike for b in kept_off.get(self.found.of[end], ()))

    def _missing_bridge(self) -> Because | None:
        """Continuity between two conductors needs them joined, at the board or at the far end."""
        if self.question.test is not Test.EARTH_CONTINUITY or len(self.groups) < 2:
            return None
        sides = [self.found.containing(end for c in group for end in self._ends(c)) for group in self.groups]
        bridges = [join for join in joins(self.network, self.standing) if join.kind is JoinKind.BRIDGE]
        if between_leads(self.found, bridges, sides[0], sides[1]):
            return None
        names = "+".join(name for group in self.question.between.groups for name in group)
        return Because(f"{names} at {self.question.at}", "missing")

    # -- what spoils it ---------------------------------------------------------------------------------------------

    def _spoilers(self, bridge: Because | None) -> Iterator[Spoiler]:
        if self.question.is_live:
            yield from no_supply_spoiler(self.network, self.standing)
            return
        if self.question.test not in EITHER_WAY:
            supply = supply_spoiler(self.network, self.standing, self.found, self._near())
            if supply is not None:
                yield supply
        if bridge is not None:
            why = f"bridge missing: nothing joins {bridge.device.partition(' at ')[0]} at the board or at the far end"
            yield Spoiler(f"bridge {bridge.device}", why, "over range: the loop is open")
        told: set[Spoiler] = set()
        for join in self._joins_between():
            spoiler = spoiler_of(self.network, join, self.question.test)
            if spoiler not in told:
                told.add(spoiler)
                yield spoiler

    def _notes(self) -> Iterator[str]:
        if self.question.at in self.network.boards:
            yield f"a current along {self.question.at} says nothing of its circuits: take this test on each of them"
        yield from not_reckoned(self.network, self.setup)

    def _near(self) -> frozenset[int]:
        """Islands of the conductors that whoever takes the test stands before."""
        at = self.question.at
        circuit = self.network.circuits.get(at)
        earth = next((each for each in self.network.plan.earths if each.id == at), None)
        first = next(iter(self.network.boards), "")
        board = circuit.board if circuit else (earth.board or first) if earth else at
        conductors = (*self.network.lines, NEUTRAL)
        names = [self.network.bar(board, c) for c in conductors if board in self.network.boards]
        if circuit:
            names += [f"{at}/{c}/0" for c in (*lines_of_circuit(circuit), NEUTRAL)]
        return self.found.containing(names)

    def _joins_between(self) -> Iterator[Join]:
        """What joins two leads beside the bridge that belongs there."""
        there = list(joins(self.network, self.standing))
        if self.question.test is Test.EARTH_CONTINUITY:
            there = [each for each in there if each.kind is not JoinKind.BRIDGE]
        elif self.question.test is Test.RING_CONTINUITY:
            there = [each for each in there if each.target == self.question.at]
        sides = [self.found.containing([self._ends(c)[1] for c in group]) for group in self.groups]
        for place, one in enumerate(sides):
            for other in sides[place + 1 :]:
                yield from between_leads(self.found, there, one, other)
