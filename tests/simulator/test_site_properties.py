"""What must hold on every site, however its switches stand and whatever is planted where."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from booth_site import PERFECT, ohm_at, site_of
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulator.bench import Bench
from drivers.simulator.site import Run, Site

DEVICES = {
    "Q0": ("on", "off"),
    "LK1": ("in", "out"),
    "Q1": ("on", "off"),
    "S1A": ("on", "off"),
    "Q2": ("on", "off"),
    "T1": ("1", "2"),
    "X1": ("straight", "crossed"),
    "T2": ("1", "2"),
}
PLACES = ("C1 L+N/PE", "C1 L/PE", "C1 N/PE", "C1 L/N", "C2 L+N/PE", "C2 L/N", "DB1 L+N/PE", "DB1 L/PE")
SPOTS = [("C1", k, pair) for k in range(3) for pair in (("L", "PE"), ("N", "PE"), ("L", "N"))] + [
    ("C2", 2, ("S1", "PE")),
    ("C2", 3, ("S2", "N")),
    ("C2", 4, ("L", "PE")),
]
Spot = tuple[str, int, tuple[str, str]]

standings = st.fixed_dictionaries({device: st.sampled_from(places) for device, places in DEVICES.items()})
leaks = st.dictionaries(st.sampled_from(SPOTS), st.floats(1e4, 1e9), max_size=5)


@cache
def sound_site() -> Site:
    """The glaze booth with real cable and nothing planted."""
    head = PERFECT.replace("insulation_mohm_km = 1000000", "insulation_mohm_km = 20")
    with TemporaryDirectory() as folder:
        return site_of(Path(folder), head=head)


def bench_with(planted: Mapping[Spot, float], standing: Mapping[str, str]) -> Bench:
    """The booth with leaks of so many ohms planted, its devices standing so."""
    site = sound_site()
    circuits = {}
    for item, truth in site.circuits.items():
        runs = [
            Run(run.length_m, {pair: ohm for (at, k, pair), ohm in planted.items() if (at, k) == (item, place)})
            for place, run in enumerate(truth.runs)
        ]
        circuits[item] = replace(truth, runs=tuple(runs))
    bench = Bench(replace(site, circuits=circuits))
    for device, position in standing.items():
        bench.turn(device, position)
    return bench


@settings(max_examples=60, deadline=None)
@given(leaks, st.sampled_from(SPOTS), st.floats(1.01, 1e4), standings, st.sampled_from(PLACES))
def test_better_insulation_anywhere_never_lowers_a_reading(
    planted: dict[Spot, float], spot: Spot, times: float, standing: dict[str, str], where: str
) -> None:
    planted.setdefault(spot, 1e6)
    better = {**planted, spot: planted[spot] * times}
    before, after = (ohm_at(bench_with(leaking, standing), where) for leaking in (planted, better))
    assert after >= before * (1 - 1e-9)


@settings(max_examples=60, deadline=None)
@given(leaks, standings, st.sampled_from(PLACES), st.sampled_from(["Q1", "Q2", "S1A", "Q0"]))
def test_opening_a_switch_never_lowers_a_reading(
    planted: dict[Spot, float], standing: dict[str, str], where: str, switch: str
) -> None:
    closed, opened = ({**standing, switch: position} for position in ("on", "off"))
    readings = [ohm_at(bench_with(planted, positions), where) for positions in (closed, opened)]
    assert readings[1] >= readings[0] * (1 - 1e-9)


@settings(max_examples=40, deadline=None)
@given(st.floats(1e3, 1e6), standings)
def test_a_fault_behind_an_open_switch_is_not_seen_from_before_it(ohm: float, standing: dict[str, str]) -> None:
    spot: Spot = ("C1", 2, ("L", "PE"))
    opened = {**standing, "S1A": "off", "LK1": "out"}
    with_fault, without = (ohm_at(bench_with(planted, opened), "C1 L/PE") for planted in ({spot: ohm}, {}))
    assert with_fault > 20e6
    assert with_fault >= 0.5 * without
    shut = {**opened, "S1A": "on", "Q1": "on"}
    assert ohm_at(bench_with({spot: ohm}, shut), "C1 L/PE") <= ohm + 10


@settings(max_examples=40, deadline=None)
@given(leaks, standings, st.sampled_from(["C1 L+N/PE", "C2 L+N/PE", "DB1 L+N/PE", "DB1 N/PE", "C1 N/PE"]))
def test_a_link_that_is_in_always_reads_near_zero(
    planted: dict[Spot, float], standing: dict[str, str], where: str
) -> None:
    assert ohm_at(bench_with(planted, {**standing, "LK1": "in"}), where) < 0.5


@settings(max_examples=40, deadline=None)
@given(leaks, standings)
def test_a_group_never_reads_above_any_of_its_pairs(planted: dict[Spot, float], standing: dict[str, str]) -> None:
    bench = bench_with(planted, standing)
    group = ohm_at(bench, "C1 L+N/PE")
    assert group <= min(ohm_at(bench, "C1 L/PE"), ohm_at(bench, "C1 N/PE")) * (1 + 1e-9)
