"""What a test reaches: one door for every kind of test.

Insulation sees all that its leads conduct to (`spread`); the others see the way their current takes (`through`).
"""

from __future__ import annotations

from typing import Final

from logger.errors import InputWrong
from logger.job.conductors import USUAL_BETWEEN, expanded, lines_of_circuit, read_between
from logger.job.model import Circuit, Earth
from logger.job.network import Network
from logger.job.reach_model import Question, Reach
from logger.job.setup import SetUp
from logger.job.spread import spread
from logger.job.through import through
from logger.quantity import Test
from logger.text import harmless

SEES_ALL: Final = frozenset({Test.INSULATION})
"""Tests that see everything their leads conduct to."""

OF_AN_EARTH: Final = frozenset({Test.EARTH_CONTINUITY, Test.EARTH_ELECTRODE})
"""Tests that an earthing conductor or electrode can have."""


def reach(network: Network, setup: SetUp, test: Test, between: str | None = None, at: str | None = None) -> Reach:
    """What `test` reaches as things stand.

    Args:
        between: conductors (`L+N/PE`); what is usual for the test where not given.
        at: point of connection, the id of a board or of an item; the first board where not given.

    Raises:
        InputWrong: a test that looks at no conductors, an unknown place, or conductors that are not there.
    """
    if test not in USUAL_BETWEEN:
        tests = ", ".join(each.value for each in USUAL_BETWEEN)
        raise InputWrong(f"The test {test.value} looks at no conductors", f"reach is known for {tests}")
    at = at if at is not None else next(iter(network.boards), "")
    item = network.item(at)
    if item is None:
        known = ", ".join(harmless(each.id) for each in network.plan.items if network.item(each.id))
        raise InputWrong(f"There is no board or circuit {harmless(at)!r} in the drawing", f"there are: {known}")
    if isinstance(item, Earth) and test not in OF_AN_EARTH:
        raise InputWrong(f"{harmless(at)} is an earth: {test.value} is not taken there", "choose a board or a circuit")
    if test is Test.RING_CONTINUITY and not (isinstance(item, Circuit) and item.ring):
        raise InputWrong(f"{harmless(at)} is no ring", "choose a circuit that the plan calls a ring")
    read = read_between(USUAL_BETWEEN[test] if between is None else between, network.plan)
    lines = lines_of_circuit(item) if isinstance(item, Circuit) else network.lines
    asked = tuple(name for name in expanded(read.conductors, network.lines) if name in lines)
    if not any(asked) and not set(read.conductors) & {"N", "PE"}:
        raise InputWrong(f"{harmless(at)} has none of {read.text}", f"it has {', '.join(lines)}, N and PE")
    question = Question(test, read, at, asked)
    return spread(network, setup, question) if test in SEES_ALL else through(network, setup, question)


def reach_of(network: Network, setup: SetUp, test: Test, between: str | None, item: str) -> Reach | None:
    """The reach of a result; None where its test looks at no conductors or its item is not in the drawing."""
    try:
        return reach(network, setup, test, between or None, item)
    except InputWrong:
        return None
