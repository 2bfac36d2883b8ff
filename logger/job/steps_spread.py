"""Steps for a test that sees all its leads conduct to: as many readings of the whole as two-way pairs make needed."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Final

from logger.job.alterations import AlterationKind, meaning_of
from logger.job.conductors import EARTH, NEUTRAL, expanded, is_line, lines_of_circuit, read_between
from logger.job.joins import Spoiler
from logger.job.least import Way, least_moves, passable, task_for
from logger.job.model import Circuit
from logger.job.network import Network, has_own_source
from logger.job.reach_model import Question
from logger.job.setup import Standing, standing, where_joined
from logger.job.steps_walk import DEAD, Walk, is_delicate
from logger.job.wiring import SUPPLY, first_run_outside

READINGS_AT_MOST: Final = 4
"""Most readings at one point of connection: two settings of all pairs pass everything; more are only for conductors
that are off their terminals."""

CURES_AT_MOST: Final = 4
"""Rounds of taking away what spoils a reading: bridges, links, loads, and one to see that nothing is left."""


def walk_spread(walk: Walk, at: str | None, covered: frozenset[str], items: Collection[str] | None) -> None:
    """Add the steps to `walk`."""
    roots = [_Root(walk, root, covered, items) for root in ([at] if at is not None else _roots(walk.network))]
    if any(root.needed and root.supply_must_go for root in roots):
        walk.put(SUPPLY, "off", DEAD)
    for root in roots:
        root.go()


def _roots(network: Network) -> Iterator[str]:
    """Where to connect: the first board of each supply, and every circuit with a source of its own."""
    yield from (board.id for board in network.boards.values() if board.feed is None)
    yield from (each.id for each in network.circuits.values() if has_own_source(each, network.plan))


class _Root:
    """The work at one point of connection."""

    def __init__(self, walk: Walk, root: str, covered: frozenset[str], items: Collection[str] | None) -> None:
        self.walk = walk
        self.network = walk.network
        self.root = root
        self.inside = root
        between = read_between(walk.between, walk.network.plan)
        own = self.network.circuits.get(root)
        lines = lines_of_circuit(own) if own else self.network.lines
        asked = tuple(name for name in expanded(between.conductors, self.network.lines) if name in lines)
        self.between = between
        self.question = Question(walk.test, between, root, asked)
        self.asked = frozenset({*asked, *({NEUTRAL} & set(between.conductors))})
        self.tree, self.circuits = self._tree()
        places = {root} if own else {*self.tree, *(each.id for each in self.circuits)}
        self.needed = frozenset(
            s.id
            for s in self.network.segments.values()
            if s.item in places
            and (items is None or s.item in items)
            and s.id not in covered
            and self.question.concerns(self.network, s)
        )

    def _tree(self) -> tuple[tuple[str, ...], tuple[Circuit, ...]]:
        """The boards and circuits that can be reached from here."""
        circuit = self.network.circuits.get(self.root)
        if circuit is not None and has_own_source(circuit, self.network.plan):
            return (), (circuit,)
        self.inside = circuit.board if circuit else self.root
        first = self.network.way_up(self.inside)[-1]
        boards = tuple(name for name in self.network.boards if self.network.way_up(name)[-1] == first)
        circuits = tuple(
            each
            for each in self.network.circuits.values()
            if each.board in boards and not has_own_source(each, self.network.plan)
        )
        return boards, (circuit,) if circuit else circuits

    def go(self) -> None:
        """All steps of this point of connection."""
        if not self.needed:
            return
        switches = self._switches()
        self._release()
        ways = self._ways(standing(self.network, self.walk.setup))
        readings = max((len(way.positions) for way in ways), default=1) if ways else 1
        settings = [
            {**switches, **{name: where for way in ways for name, where in way.positions[r].items()}}
            for r in range(readings)
        ]
        self._make_dead(switches)
        self._prepare(settings)
        for setting in settings:
            for name, where in setting.items():
                self.walk.put(name, where)
            self.walk.take(self.root)
        self.walk.left |= self.needed

    def _switches(self) -> dict[str, str]:
        """Main switches that must be on for every reading: those with anything needed beyond them."""
        found: dict[str, str] = {}
        for name in self.tree:
            switch = self.network.boards[name].main_switch
            if switch and any(self._is_beyond(segment, name) for segment in self.needed):
                found[switch] = "on"
        return found

    def _is_beyond(self, segment: str, board: str) -> bool:
        """Whether a run lies on the other side of a board's main switch."""
        return self._is_behind(segment, board) != (board in self.network.way_up(self.inside))

    def _is_behind(self, segment: str, board: str) -> bool:
        found = self.network.segments[segment]
        if found.item == board:
            return found.run > 0 or found.conductor == EARTH
        circuit = self.network.circuits.get(found.item)
        return board in self.network.way_up(circuit.board if circuit else found.item)

    def _ways(self, stand: Standing) -> list[Way]:
        """For every circuit its positions in each reading: as few readings as do for all of them."""
        tasks = []
        for circuit in self.circuits:
            first = first_run_outside(circuit.path) if circuit.id == self.root else 0
            own = frozenset(s for s in self.needed if self.network.segments[s].item == circuit.id)
            task = task_for(self.network, circuit, own, self.asked, whole=False, first=first)
            kept = task.needed & passable(self.network, stand, task)
            tasks.append(task_for(self.network, circuit, kept, self.asked, whole=False, first=first))
        for readings in range(1, READINGS_AT_MOST + 1):
            ways = [least_moves(self.network, stand, task, readings) for task in tasks]
            if all(way is not None for way in ways):
                return [way for way in ways if way is not None]
        return []

    @property
    def supply_must_go(self) -> bool:
        """Whether the main switch cannot part the supply: there is none, or what lies before it is to be read too."""
        return bool(self.tree) and self._main_switch() in {None, *self._switches()}

    def _main_switch(self) -> str | None:
        first = next(name for name in self.tree if self.network.boards[name].feed is None)
        return self.network.boards[first].main_switch

    def _make_dead(self, switches: Mapping[str, str]) -> None:
        """Part the supply: at the main switch, or before it where what lies there is to be read as well."""
        if not self.tree or self.walk.positions[SUPPLY] == "off":
            return
        switch = self._main_switch()
        self.walk.put(switch if switch and switch not in switches else SUPPLY, "off", DEAD)

    def _release(self) -> None:
        """Let go of devices that an alteration holds: the readings need them free."""
        for each in self.walk.setup.alterations:
            if meaning_of(self.network, each.what, each.to).kind is AlterationKind.DEVICE_HELD:
                self.walk.undo(each.what, "the readings need it free")

    def _prepare(self, settings: list[dict[str, str]]) -> None:
        """Bridges that the leads need, and away with what would spoil any of the readings."""
        for group in self.between.groups:
            wanted = frozenset(where_joined(self.network, self.root, group))
            stand = standing(self.network, self.walk.setup)
            missing = [each for meaning, each in stand.missing if len(set(meaning.conductors) & set(group)) > 1]
            for each in missing:
                self.walk.undo(each.what, "the bridge is needed")
            if len(wanted) > 1 and not any(wanted <= frozenset(bridge.segments) for bridge in stand.bridges):
                self.walk.change(f"{'+'.join(group)} at {self.root}", "joined", "one lead holds them all")
        for _ in range(CURES_AT_MOST):
            spoilers: dict[Spoiler, None] = {}
            for setting in settings:
                found = self.walk.reach_at(self.root, positions=setting)
                spoilers.update(dict.fromkeys(found.spoiled_by))
            if not self.walk.cure(list(spoilers)):
                break
        self._protect()

    def _protect(self) -> None:
        """Electronics away before a test voltage comes on."""
        stand = standing(self.network, self.walk.setup)
        for circuit in self.circuits:
            if is_delicate(circuit) and circuit.id not in stand.unplugged and any(is_line(name) for name in self.asked):
                self.walk.change(f"load of {circuit.id}", "unplugged", "the test voltage can destroy electronics")
