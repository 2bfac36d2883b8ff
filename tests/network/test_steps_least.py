"""The proposed steps cover everything, with no more readings and moves than trying every setting finds needed."""

from __future__ import annotations

import itertools
import random
import time
from collections.abc import Iterable

import pytest
from installations import random_plan, random_positions, studio

from logger.job.model import Plan
from logger.job.network import Network, build
from logger.job.reach import reach
from logger.job.reach_model import Reach
from logger.job.setup import Alteration, SetUp, alter, apply_set, restore, set_up, standing, to_put_back
from logger.job.steps import least_steps
from logger.job.steps_walk import Step, StepPlan
from logger.quantity import Test

SITES = 250
SMALL = 60
STEPS_S_AT_MOST = 2.0


def follow(network: Network, setup: SetUp, steps: Iterable[Step]) -> tuple[list[Reach], SetUp, int]:
    """Do the steps, as the recorder would: the reach of each reading, the set-up at the end, and moves made."""
    readings: list[Reach] = []
    selected: dict[str, str] = {}
    moves = 0
    for step in steps:
        fields = dict(step.fields)
        if step.do == "set":
            setup = apply_set(network, setup, fields["device"], fields["position"])
            moves += 1
        elif step.do == "alter":
            setup = alter(network, setup, Alteration(fields["what"], fields["to"]))
        elif step.do == "restore":
            setup = restore(network, setup, fields["what"])
        elif step.do == "select":
            selected = fields
        else:
            readings.append(reach(network, setup, Test(selected["test"]), selected["between"], selected["item"]))
    return readings, setup, moves


def test_steps_reach_everything_and_put_everything_back() -> None:
    rng = random.Random(11)
    for _ in range(SITES):
        plan = random_plan(rng, most_boards=3, most_circuits=5)
        network = build(plan)
        setup = set_up(network, random_positions(rng, plan))
        found = least_steps(network, setup, Test.INSULATION)
        readings, after, moves = follow(network, setup, found.steps)
        assert set().union(*(each.reached for each in readings)) == set(network.segments)
        assert not any(each.spoiled_by for each in readings)
        assert (len(readings), moves) == (found.readings, found.moves)
        assert found.left == () and found.exact
        assert to_put_back(network, after) == ()
        links = {board.neutral_earth_link for board in plan.boards}
        assert {k: v for k, v in after.positions.items() if k not in links} == {
            k: v for k, v in setup.positions.items() if k not in links
        }


def test_no_fewer_readings_and_moves_do() -> None:
    """Against every way of setting every device, for one reading and for two."""
    rng = random.Random(23)
    checked = 0
    while checked < SMALL:
        plan = random_plan(rng, most_boards=2, most_circuits=2, most_devices=3)
        network = build(plan)
        positions = random_positions(rng, plan, usual=0.6)
        supplies = [board for board in plan.boards if board.feed is None]
        free = [name for name in positions if not name.startswith("LK")]
        if len(supplies) > 1 or len(free) > 6 or not plan.circuits:
            continue
        checked += 1
        found = least_steps(network, set_up(network, positions), Test.INSULATION)
        assert (found.readings, found.moves) == best(network, positions, free, supplies[0].id)


def best(network: Network, positions: dict[str, str], free: list[str], at: str) -> tuple[int, int]:
    """The fewest readings, then moves, that trying everything finds; the links are out and the loads away."""
    away = [Alteration(name, "out") for name in positions if name.startswith("LK")]
    away += [Alteration(f"load of {each}", "unplugged") for each in network.circuits]
    settings = []
    for choice in itertools.product(*(network.devices[name].positions for name in free)):
        now = dict(zip(free, choice, strict=True))
        setup = set_up(network, {**positions, **now}, away)
        one = reach(network, setup, Test.INSULATION, "L+N/PE", at)
        if not any(each.what == "supply" for each in one.spoiled_by):
            settings.append((now, frozenset(one.reached)))
    everything = frozenset().union(*(held for _, held in settings))
    assert everything == set(network.segments)

    def moves(chosen: tuple[dict[str, str], ...]) -> int:
        around = [positions, *chosen, positions]
        return sum(one[name] != other[name] for one, other in itertools.pairwise(around) for name in free)

    for readings in (1, 2):
        costs = [
            moves(tuple(now for now, _ in chosen))
            for chosen in itertools.permutations(settings, readings)
            if frozenset().union(*(held for _, held in chosen)) == everything
        ]
        if costs:
            return readings, min(costs)
    raise AssertionError("two readings always do")


@pytest.mark.parametrize(
    ("test", "between"),
    [
        (Test.EARTH_CONTINUITY, "PE"),
        (Test.EARTH_CONTINUITY, "L/PE"),
        (Test.EARTH_LOOP, "L/PE"),
        (Test.LINE_LOOP, "L/N"),
        (Test.POLARITY, "L/N"),
        (Test.RCD_TIME, "L/PE"),
    ],
)
def test_steps_along_items_cover_what_they_say(test: Test, between: str) -> None:
    rng = random.Random(31)
    for _ in range(40):
        plan = random_plan(rng, most_boards=3, most_circuits=4)
        network = build(plan)
        setup = set_up(network, random_positions(rng, plan))
        found = least_steps(network, setup, test, between)
        readings, after, moves = follow(network, setup, found.steps)
        covers = [step.covers for step in found.steps if step.do == "take"]
        so_far: set[str] = set()
        for one, new in zip(readings, covers, strict=True):
            assert set(one.reached) - so_far == set(new)
            assert one.spoiled_by == ()
            so_far |= set(new)
        assert found.left == ()
        assert (len(readings), moves) == (found.readings, found.moves)
        assert not after.alterations
        ends = {f"{each.id}/PE/{len(each.path)}" for each in plan.circuits}
        assert "PE" not in between.split("/") or ends <= so_far


def test_what_is_covered_already_needs_no_step() -> None:
    plan = random_plan(random.Random(3), most_circuits=6)
    network = build(plan)
    setup = set_up(network, random_positions(random.Random(4), plan))
    whole = least_steps(network, setup, Test.INSULATION)
    readings, _, _ = follow(network, setup, whole.steps)
    held = {name for each in readings for name in each.reached}
    assert least_steps(network, setup, Test.INSULATION, covered=held).steps == ()
    some = random.Random(5).choice(sorted(held))
    rest = least_steps(network, setup, Test.INSULATION, covered=held - {some})
    assert rest.readings == 1
    assert some in {name for step in rest.steps for name in step.covers}


def test_a_large_installation_takes_two_seconds_at_most() -> None:
    rng = random.Random(2)
    plan = random_plan(rng)
    while not 500 <= len(build(plan).segments) <= 700:
        plan = random_plan(rng, most_boards=8, most_circuits=60, most_devices=8)
    network = build(plan)
    setup = set_up(network, random_positions(rng, plan))
    start = time.perf_counter()
    found = least_steps(network, setup, Test.INSULATION)
    assert time.perf_counter() - start <= STEPS_S_AT_MOST
    assert found.left == ()


def test_an_empty_board_needs_one_reading() -> None:
    network = build(studio())
    found: StepPlan = least_steps(network, set_up(network, {"Q0": "off"}), Test.INSULATION)
    assert found.readings == 1
    assert standing(network, set_up(network, {})).positions["supply"] == "on"


def planted(plan: Plan) -> list[str]:
    """Every run that a fault to earth can lie in."""
    return [name for name in build(plan).segments if "/PE/" not in name]
