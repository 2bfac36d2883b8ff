"""What must hold between the parts of a plan: ids, boards, feeds, phases, devices. Each check tells of every fault."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from logger.faults import nearest, quoted
from logger.job.model import Board, Circuit, Item, JobKind, Plan
from logger.job.wiring import wiring_faults
from logger.quantity import Test

Tell = Callable[[Item | None, str, str], None]
"""`tell(item, key, sentence)`: keeps a fault of that very item (None: of the whole plan), at `key`."""


@dataclass(frozen=True)
class _Named:
    """An id where the plan gives it: `owner` is the item it stands in, `key` where in that item."""

    id: str
    what: str
    owner: Item
    key: str


def check(plan: Plan, tell: Tell) -> None:
    """Tell of everything that does not hold in `plan`."""
    _something_to_test(plan, tell)
    _ids_stand_once(plan, tell)
    _boards_are_known(plan, tell)
    _feeds_end_at_the_supply(plan, tell)
    _phases_fit_the_supply(plan, tell)
    for fault in wiring_faults(plan):
        tell(fault.item, fault.key, fault.sentence)


def check_anew(plan: Plan, tell: Tell) -> None:
    """Tell of what a new plan may not say. A logbook begun before these checks keeps the plan that it has."""
    for named in _named(plan):
        if "/" in named.id:
            why = "which parts the names of conductors; write - instead"
            tell(named.owner, named.key, f"the id {quoted(named.id)} has a / in it, {why}")
    for circuit in plan.circuits:
        _curve_is_known(circuit, tell)
        _rcd_tests_have_an_rcd(circuit, tell)


BREAKER_CURVES: Final = ("B", "C", "D", "K", "Z")
"""Tripping curves of breakers (IEC 60898-1; K and Z by IEC 60947-2). Not every rule pack has a figure for each."""


def _curve_is_known(circuit: Circuit, tell: Tell) -> None:
    """A single letter is a breaker's curve; the names of fuse systems are longer."""
    kind = circuit.protection.type.strip() if circuit.protection else ""
    if len(kind) != 1 or kind in BREAKER_CURVES:
        return
    meant = f'; write "{kind.upper()}"' if kind.upper() in BREAKER_CURVES else ""
    known = f"{', '.join(BREAKER_CURVES)}, or a fuse system such as gG"
    tell(circuit, "protection", f"type is {quoted(kind)}, and no breaker has that curve: it is one of {known}{meant}")


def _rcd_tests_have_an_rcd(circuit: Circuit, tell: Tell) -> None:
    asked = [test for test in circuit.required or () if test in {Test.RCD_TIME, Test.RCD_CURRENT}]
    if asked and not circuit.has_rcd:
        how = 'say rcd = { type = "A", rating_ma = 30 }, or leave the test out'
        tell(circuit, "required", f"required has {asked[0]}, and the circuit has no RCD: {how}")


def _something_to_test(plan: Plan, tell: Tell) -> None:
    if plan.kind is JobKind.INSTALLATION and not plan.boards:
        tell(None, "", "an installation needs at least one [[board]]")
    if plan.kind is JobKind.INSTALLATION and plan.supply is None:
        tell(None, "", "an installation needs a [supply] with system and voltage")
    if plan.kind is JobKind.APPLIANCES and not plan.appliances:
        tell(None, "", "a job on appliances needs at least one [[appliance]], or appliances_csv in [job]")


def _named(plan: Plan) -> Iterator[_Named]:
    for board in plan.boards:
        yield _Named(board.id, "a board", board, "id")
        if board.main_switch:
            yield _Named(board.main_switch, f"the main switch of board {quoted(board.id)}", board, "main_switch")
        if board.neutral_earth_link:
            what = f"the neutral-earth link of board {quoted(board.id)}"
            yield _Named(board.neutral_earth_link, what, board, "neutral_earth_link")
    for circuit in plan.circuits:
        yield _Named(circuit.id, "a circuit", circuit, "id")
        for device in circuit.path:
            yield _Named(device.id, f"a device of circuit {quoted(circuit.id)}", circuit, "path")
    for earth in plan.earths:
        yield _Named(earth.id, "an earth", earth, "id")
    for appliance in plan.appliances:
        yield _Named(appliance.id, "an appliance", appliance, "id")


def _ids_stand_once(plan: Plan, tell: Tell) -> None:
    first: dict[str, _Named] = {}
    for named in _named(plan):
        if not named.id:
            continue
        if named.id in first:
            tell(named.owner, named.key, f"the id {quoted(named.id)} is already taken by {first[named.id].what}")
        else:
            first[named.id] = named


def _boards_are_known(plan: Plan, tell: Tell) -> None:
    ids = [board.id for board in plan.boards if board.id]
    references: list[tuple[Item, str, str | None]] = [(board, "feed", board.feed) for board in plan.boards]
    references += [(circuit, "board", circuit.board) for circuit in plan.circuits]
    references += [(earth, "board", earth.board) for earth in plan.earths]
    for owner, key, board_id in references:
        if board_id and board_id not in ids:
            tell(
                owner,
                key,
                f"{key} is {quoted(board_id)}, and no board has that id{nearest(board_id, ids) if ids else ''}",
            )


def _feeds_end_at_the_supply(plan: Plan, tell: Tell) -> None:
    boards = {board.id: board for board in plan.boards}
    told: set[str] = set()
    for board in plan.boards:
        circle = _circle_through(board, boards)
        if circle and not told & set(circle):
            told.update(circle)
            names = " ← ".join(quoted(board_id) for board_id in [*circle, circle[0]])
            tell(board, "feed", f"boards feed each other in a circle: {names}; one of them must hang on the supply")


def _circle_through(board: Board, boards: dict[str, Board]) -> list[str]:
    """The ids from `board` back to itself along its feeds; empty where they end."""
    walked = [board.id]
    feed = board.feed
    while feed is not None and feed in boards and feed not in walked:
        walked.append(feed)
        feed = boards[feed].feed
    return walked if feed == board.id else []


def _phases_fit_the_supply(plan: Plan, tell: Tell) -> None:
    if plan.supply is None:
        return
    for circuit in plan.circuits:
        if plan.supply.phases == 1 and circuit.phase != "L":
            tell(circuit, "phase", f"phase is {quoted(circuit.phase)} on a single-phase supply; leave it out")
        if plan.supply.phases == 3 and circuit.phase == "L":
            tell(circuit, "phase", 'the supply has three phases: say phase = "L1", "L2", "L3" or "L1L2L3"')
