"""Steps for tests whose current goes along one item: a reading an item, two where a two-way pair has two ways."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Final

from logger.job.conductors import EARTH, NEUTRAL, expanded, is_line, lines_of_circuit, read_between
from logger.job.coverage import runs_due
from logger.job.least import Task, Way, least_moves, passable, task_for
from logger.job.model import Board, Circuit, DeviceKind, Item
from logger.job.network import has_own_source
from logger.job.reach_model import Question
from logger.job.setup import standing, to_put_back
from logger.job.steps_walk import DEAD, Walk
from logger.job.wiring import SUPPLY
from logger.quantity import LIVE_TESTS, Test

READINGS_AT_MOST: Final = 4
"""Most readings of one circuit; two pass both strappers of every pair."""

CURES_AT_MOST: Final = 3
"""Rounds of taking away a second way past the wiring: bridges, links, loads."""

ONE_WAY_IS_ENOUGH: Final = frozenset({Test.RCD_TIME, Test.RCD_CURRENT, Test.PHASE_ROTATION, Test.VOLTAGE})
"""Tests that ask about the supply or a device, not about the wire that leads there: one reading each."""


def walk_through(walk: Walk, at: str | None, covered: frozenset[str], items: Collection[str] | None) -> None:
    """Add the steps to `walk`."""
    chosen = [at] if at is not None else items
    due = frozenset(s.id for s in runs_due(walk.network, walk.test, chosen)) - covered
    if not due:
        return
    _Items(walk, due).go()


class _Items:
    """The work, item by item."""

    def __init__(self, walk: Walk, due: frozenset[str]) -> None:
        self.walk = walk
        self.network = walk.network
        self.due = due
        self.between = read_between(walk.between, walk.network.plan)
        self.is_live = walk.test in LIVE_TESTS

    def go(self) -> None:
        """All items that something is due of: circuits first, since a live reading there covers boards on the way."""
        if self.is_live:
            self._make_live()
        for item in self._items():
            due = frozenset(s for s in self.due - self.walk.reached if self.network.segments[s].item == item.id)
            if not due:
                continue
            if isinstance(item, Circuit):
                self._circuit(item, due)
            else:
                self._dead(item)
                self._pass_main_switch(item)
                self._cure(item)
                self.walk.take(item.id, self._between_for(item))
            self.walk.left |= set() if self.walk.test in ONE_WAY_IS_ENOUGH else due

    def _items(self) -> Iterator[Item]:
        plan = self.network.plan
        if not self.is_live:
            yield from plan.boards
            yield from plan.earths
        yield from plan.circuits
        if self.is_live:
            yield from plan.boards

    def _between_for(self, item: Item) -> str | None:
        """Boards and earthing conductors have continuity of earth alone, however circuits are measured."""
        return EARTH if self.walk.test is Test.EARTH_CONTINUITY and not isinstance(item, Circuit) else None

    def _make_live(self) -> None:
        """Everything put back, then the supply on: nothing is energised over an open alteration."""
        for each in reversed(to_put_back(self.network, self.walk.setup)):
            self.walk.undo(each.what, f"before the supply comes on: {each.by}")
        for device in self.network.devices.values():
            if device.kind is DeviceKind.MAIN_SWITCH and device.id != SUPPLY:
                self.walk.put(device.id, "on")
        self.walk.put(SUPPLY, "on", "this test needs the supply")

    def _circuit(self, circuit: Circuit, due: frozenset[str]) -> None:
        self._dead(circuit)
        if self.walk.test is Test.RING_CONTINUITY:
            self.walk.change(f"ends of ring {circuit.id}", "parted", "the ring is measured end to end")
            for group in self.between.groups:
                self.walk.take(circuit.id, "+".join(group))
            self.walk.undo(f"ends of ring {circuit.id}", "put both ends back under their terminals")
            return
        way = self._way(circuit, due)
        for setting in way.positions if way else ({},):
            for name, where in setting.items():
                self.walk.put(name, where)
            self._prepare(circuit)
            self.walk.take(circuit.id)

    def _way(self, circuit: Circuit, due: frozenset[str]) -> Way | None:
        lines = tuple(name for name in expanded(self.between.conductors, lines_of_circuit(circuit)) if is_line(name))
        asked = frozenset({*lines, *({NEUTRAL} & set(self.between.conductors))})
        if not asked:
            return None
        stand = standing(self.network, self.walk.setup)
        question = Question(self.walk.test, self.between, circuit.id, lines)
        about = frozenset(s for s in due if question.concerns(self.network, self.network.segments[s]))
        if self.walk.test is Test.EARTH_CONTINUITY:  # the line is the way back and wants covering as well
            about |= {s.id for s in self.network.of_item(circuit.id) if question.concerns(self.network, s)}
        needed = frozenset() if self.walk.test in ONE_WAY_IS_ENOUGH else about
        task = task_for(self.network, circuit, needed, asked, whole=True)
        task = Task(circuit, task.needed & passable(self.network, stand, task), task.conductors, whole=True)
        ways = (least_moves(self.network, stand, task, readings) for readings in range(1, READINGS_AT_MOST + 1))
        return next((way for way in ways if way is not None), None)

    def _dead(self, item: Item) -> None:
        """Part the supply for a dead test, at the main switch where there is one."""
        if self.is_live or self.walk.positions[SUPPLY] == "off":
            return
        found = self.walk.reach_at(item.id, self._between_for(item))
        if any(spoiler.what == SUPPLY for spoiler in found.spoiled_by):
            for board in self.network.boards.values():
                if board.feed is None:
                    switch = None if self._boards_are_due else board.main_switch
                    self.walk.put(switch or SUPPLY, "off", DEAD)

    @property
    def _boards_are_due(self) -> bool:
        """Whether the current must pass main switches: a line or neutral of a board is to be covered."""
        found = (self.network.segments[name] for name in self.due)
        return any(each.item in self.network.boards and each.conductor != EARTH for each in found)

    def _pass_main_switch(self, item: Item) -> None:
        if isinstance(item, Board) and item.main_switch and self._boards_are_due:
            self.walk.put(item.main_switch, "on")

    def _prepare(self, circuit: Circuit) -> None:
        """The bridge that the loop needs, and nothing beside it."""
        if self.walk.test is Test.EARTH_CONTINUITY and len(self.between.groups) > 1:
            missing = any(each.what.startswith("bridge ") for each in self.walk.reach_at(circuit.id).spoiled_by)
            place = circuit.id if has_own_source(circuit, self.network.plan) else circuit.board
            names = "+".join(name for group in self.between.groups for name in group)
            if missing:
                self.walk.change(f"{names} at {place}", "joined", "the current goes out on one, back on the other")
        self._cure(circuit)

    def _cure(self, item: Item) -> None:
        """Away with second ways past the wiring."""
        for _ in range(0 if self.is_live else CURES_AT_MOST):
            if not self.walk.cure(self.walk.reach_at(item.id, self._between_for(item)).spoiled_by):
                break
