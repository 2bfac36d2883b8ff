"""The least work that covers everything for a test: what to set and alter, what to read, what to put back.

The steps are those of `capture` (interface, section 2), so that they can be fed to it as they are. What is counted is
readings first, then moves of devices, those back to where they stood included.

The answer is exact. A reading passes a circuit independently of every other circuit, once the main switches on the way
are on (which never takes a run away from any reading), so each circuit is solved by itself (`least`, exact for any
number of devices), and the number of readings is the largest that any one of them needs.
"""

from __future__ import annotations

from collections.abc import Collection

from logger.errors import InputWrong
from logger.job.conductors import USUAL_BETWEEN, read_between
from logger.job.network import Network
from logger.job.reach import SEES_ALL
from logger.job.setup import SetUp
from logger.job.steps_spread import walk_spread
from logger.job.steps_through import walk_through
from logger.job.steps_walk import StepPlan, Walk
from logger.quantity import Test


def least_steps(
    network: Network,
    setup: SetUp,
    test: Test,
    between: str | None = None,
    at: str | None = None,
    covered: Collection[str] = (),
    items: Collection[str] | None = None,
) -> StepPlan:
    """The least work from `setup` on that covers what is not in `covered` yet.

    Args:
        between: conductors; what is usual for the test where not given.
        at: for insulation: the board or circuit to connect at; every supply's first board where not given.
        covered: runs that earlier results have reached (see `coverage`).
        items: the items to cover; all that can have the test where not given.

    Raises:
        InputWrong: a test that looks at no conductors, an unknown place, or conductors that are not there.
    """
    if test not in USUAL_BETWEEN:
        raise InputWrong(f"The test {test.value} looks at no conductors", "there are no steps to work out for it")
    if at is not None and network.item(at) is None:
        raise InputWrong(f"There is no board or circuit {at!r} in the drawing", "name one of the plan")
    read = read_between(USUAL_BETWEEN[test] if between is None else between, network.plan)
    walk = Walk(network, setup, test, read.text)
    if test in SEES_ALL:
        walk_spread(walk, at, frozenset(covered), items)
    else:
        walk_through(walk, at, frozenset(covered), items)
    return walk.plan()
