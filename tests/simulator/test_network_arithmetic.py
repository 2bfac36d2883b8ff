"""The star-to-mesh network against exact arithmetic done another way: Kirchhoff's equations in fractions."""

from __future__ import annotations

from fractions import Fraction
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulator.network import Network

NODES = "abcdefg"
Element = tuple[str, str, int]


def made(elements: list[Element]) -> Network:
    network = Network()
    for a, b, siemens in elements:
        network.connect(a, b, float(siemens))
    return network


def solved(rows: list[list[Fraction]]) -> list[Fraction]:
    """Gauss-Jordan on an augmented matrix, exact."""
    size = len(rows)
    for column in range(size):
        pivot = next(row for row in range(column, size) if rows[row][column])
        rows[column], rows[pivot] = rows[pivot], rows[column]
        rows[column] = [value / rows[column][column] for value in rows[column]]
        for row in range(size):
            if row != column and rows[row][column]:
                rows[row] = [a - rows[row][column] * b for a, b in zip(rows[row], rows[column], strict=True)]
    return [row[-1] for row in rows]


def reachable(elements: list[Element], start: str) -> set[str]:
    found = {start}
    while more := {y for a, b, _ in elements for x, y in ((a, b), (b, a)) if x in found} - found:
        found |= more
    return found


def by_kirchhoff(elements: list[Element], plus: str, minus: str) -> Fraction:
    """Siemens between two nodes: inject 1 A at `plus`, hold `minus` at 0 V, read the volts at `plus`."""
    nodes = sorted(reachable(elements, plus) - {minus})
    if minus not in reachable(elements, plus):
        return Fraction(0)
    rows = []
    for node in nodes:
        row = {other: Fraction(0) for other in nodes}
        for a, b, siemens in elements:
            if node in (a, b) and a != b:
                other = b if node == a else a
                row[node] += siemens
                if other != minus:
                    row[other] -= siemens
        rows.append([*(row[other] for other in nodes), Fraction(node == plus)])
    return 1 / solved(rows)[nodes.index(plus)]


@given(
    st.lists(st.tuples(st.sampled_from(NODES), st.sampled_from(NODES), st.integers(1, 10**9)), min_size=1, max_size=16)
)
def test_any_network_comes_to_what_kirchhoff_says(elements: list[Element]) -> None:
    exact = by_kirchhoff(elements, "a", "b")
    assert made(elements).conductance("a", "b") == pytest.approx(float(exact), rel=1e-12)


def test_milliohms_and_teraohms_keep_their_digits_side_by_side() -> None:
    network = Network()
    for place in range(40):
        network.connect(f"w{place}", f"w{place + 1}", 1e3)
        network.connect(f"w{place}", "earth", 1e-12)
    assert network.conductance("w40", "earth") == pytest.approx(40e-12, rel=1e-6)
    assert network.conductance("w0", "w40") == pytest.approx(1e3 / 40, rel=1e-12)


def test_a_balanced_bridge_does_not_care_for_its_middle() -> None:
    for middle in (1, 1000):
        network = made([("a", "c", 2), ("c", "b", 4), ("a", "d", 1), ("d", "b", 2), ("c", "d", middle)])
        assert network.conductance("a", "b") == pytest.approx(2 * 4 / 6 + 1 * 2 / 3)


def test_joining_makes_one_node_of_two_whenever_it_is_done() -> None:
    before, after = Network(), Network()
    before.join(("c", "d"))
    for network in (before, after):
        for a, b, siemens in (("a", "c", 3.0), ("d", "b", 6.0), ("c", "d", 5.0), ("d", "a", 1.0)):
            network.connect(a, b, siemens)
    after.join(("c", "d"))
    assert before.conductance("a", "b") == after.conductance("a", "b") == pytest.approx(4 * 6 / 10)
    after.join(("a", "b"))
    assert after.conductance("a", "b") == inf


def test_what_is_not_connected_does_not_conduct() -> None:
    network = made([("a", "c", 1), ("b", "d", 1)])
    assert network.conductance("a", "b") == 0
    assert network.conductance("a", "nowhere") == 0
    network.connect("a", "b", 0.0)
    assert network.conductance("a", "b") == 0
