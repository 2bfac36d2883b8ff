"""Reach against brute-force connectivity on random installations, and its reasons against trying every position."""

from __future__ import annotations

import itertools
import random
import time

import networkx as nx
import pytest
from installations import random_plan, random_positions, wired

from logger.job.model import DeviceKind, Plan
from logger.job.network import Network, build
from logger.job.reach import reach
from logger.job.setup import SetUp, set_up
from logger.quantity import Test

NETWORKS = 2000
BETWEENS = ("L+N/PE", "L/N", "N/PE", "L/PE")
REACH_MS_AT_MOST = 20
REASONED = 150


def asked(between: str) -> set[str]:
    names = set(between.replace("+", "/").split("/"))
    return names | ({"L1", "L2", "L3", "S1", "S2"} if "L" in names else set())


def touched(plan: Plan, at: str, names: str) -> list[str]:
    board = next(each for each in plan.boards if each.id == at)
    lines = ["L"] if plan.supply and plan.supply.phases == 1 else ["L1", "L2", "L3"]
    each = [line for name in names.split("+") for line in (lines if name == "L" else [name])]
    return [f"{at}/{name}/{1 if board.main_switch else 0}" for name in each]


def oracle(plan: Plan, positions: dict[str, str], at: str, between: str) -> tuple[set[str], set[str], set[str]]:
    """Runs on plus, runs on minus, and all that the question is about."""
    graph = wired(plan, positions)
    sides = []
    for group in between.split("/"):
        held: set[str] = set()
        for start in touched(plan, at, group):
            held |= nx.node_connected_component(graph, start)
        sides.append({run for run in held if not run.startswith("supply ")})
    about = {run for run in graph if not run.startswith("supply ") and run.split("/")[1] in asked(between)}
    return sides[0] & about, sides[1] & about, about


def test_agrees_with_connectivity_on_random_installations() -> None:
    rng = random.Random(5)
    unreached = 0
    for number in range(NETWORKS):
        plan = random_plan(rng)
        positions = random_positions(rng, plan)
        network = build(plan)
        between = BETWEENS[number % len(BETWEENS)]
        at = rng.choice(plan.boards).id
        plus, minus, about = oracle(plan, positions, at, between)
        found = reach(network, set_up(network, positions), Test.INSULATION, between, at)
        assert (set(found.plus), set(found.minus)) == (plus, minus)
        assert set(found.reached) == plus | minus
        assert {each.segment for each in found.unreached} == about - plus - minus
        assert found.share_count == round(len(plus | minus) / len(about), 6)
        assert all(each.because for each in found.unreached)
        unreached += len(found.unreached)
    assert unreached > NETWORKS  # the sweep met open devices, and many


def test_a_reason_is_what_it_takes() -> None:
    """Setting just the devices of a reason reaches the run; leaving out one that only opens and closes never does."""
    rng = random.Random(17)
    tried = 0
    while tried < REASONED:
        plan = random_plan(rng, most_boards=2, most_circuits=2, most_devices=5)
        positions = random_positions(rng, plan, usual=0.6)
        positions["supply"] = "off"
        network = build(plan)
        found = reach(network, set_up(network, positions), Test.INSULATION, "L+N/PE", plan.boards[0].id)
        for each in found.unreached:
            named = [because.device for because in each.because]
            if "supply" in named or len(named) > 4:
                continue
            tried += 1
            assert all(positions[because.device] == because.position for because in each.because)
            assert each.segment in best_of(network, positions, named, plan.boards[0].id)
            for name in named:
                if network.devices[name].kind not in {DeviceKind.TWO_WAY, DeviceKind.INTERMEDIATE}:
                    others = [other for other in named if other != name]
                    assert each.segment not in best_of(network, positions, others, plan.boards[0].id)


def best_of(network: Network, positions: dict[str, str], devices: list[str], at: str) -> set[str]:
    """All runs that some way of setting `devices` reaches."""
    held: set[str] = set()
    for choice in itertools.product(*(network.devices[name].positions for name in devices)):
        now = {**positions, **dict(zip(devices, choice, strict=True))}
        held |= set(reach(network, SetUp(now), Test.INSULATION, "L+N/PE", at).reached)
    return held


def test_five_hundred_runs_take_twenty_milliseconds_at_most() -> None:
    network, positions = large()
    assert len(network.segments) >= 500
    setup = set_up(network, positions)
    took = []
    for _ in range(5):
        start = time.perf_counter()
        reach(network, setup, Test.INSULATION, "L+N/PE", "DB0")
        took.append((time.perf_counter() - start) * 1000)
    assert min(took) <= REACH_MS_AT_MOST


def large() -> tuple[Network, dict[str, str]]:
    rng = random.Random(2)
    while True:
        plan = random_plan(rng, most_boards=8, most_circuits=60, most_devices=8)
        network = build(plan)
        if 500 <= len(network.segments) <= 650:
            return network, random_positions(rng, plan)


@pytest.mark.slow
def test_agrees_with_connectivity_on_many_more() -> None:
    rng = random.Random(6)
    for _ in range(10 * NETWORKS):
        plan = random_plan(rng, most_circuits=12, most_devices=9)
        positions = random_positions(rng, plan)
        at = rng.choice(plan.boards).id
        plus, minus, _ = oracle(plan, positions, at, "L+N/PE")
        network = build(plan)
        found = reach(network, set_up(network, positions), Test.INSULATION, "L+N/PE", at)
        assert (set(found.plus), set(found.minus)) == (plus, minus)
