"""Sites for the tests, written as TOML on the spot; and what a meter has before it on them."""

from __future__ import annotations

from pathlib import Path
from textwrap import dedent

from drivers.simulator.bench import Bench
from drivers.simulator.leads import Apart, Joined, OnItem, Placement
from drivers.simulator.site import Site
from drivers.simulator.site_file import read_site
from drivers.simulator.truth import RcdSetting, Truth
from logger.quantity import Function

PLAN = """
    [job]
    title = "Glaze booth"
    kind = "installation"
    rules = "iec"
    [supply]
    system = "TN-C-S"
    voltage = 230
    [[board]]
    id = "DB1"
    main_switch = "Q0"
    neutral_earth_link = "LK1"
    [[circuit]]
    id = "C1"
    board = "DB1"
    cable = { line_mm2 = 2.5, earth_mm2 = 1.5, length_m = 28 }
    rcd = { type = "A", rating_ma = 30 }
    path = [{ id = "Q1", kind = "breaker" }, { id = "S1A", kind = "one-way" }]
    [[circuit]]
    id = "C2"
    board = "DB1"
    cable = { line_mm2 = 1.5, earth_mm2 = 1.5, length_m = 20 }
    path = [
      { id = "Q2", kind = "breaker" },
      { id = "T1", kind = "two-way" },
      { id = "X1", kind = "intermediate" },
      { id = "T2", kind = "two-way" },
    ]
    [[earth]]
    id = "E1"
    kind = "main-earth"
    board = "DB1"
    cable = { earth_mm2 = 6, length_m = 15 }
"""

# Cable that neither leaks nor charges, so that a test sees only what it plants.
PERFECT = """
    [site]
    name = "Glaze booth"
    plan = "booth.plan.toml"
    insulation_mohm_km = 1000000
    pf_per_m = 0
    temperature_c = 20
"""


def site_of(folder: Path, truth: str = "", plan: str = PLAN, head: str = PERFECT) -> Site:
    """The glaze booth, or another plan, with a truth of its own."""
    (folder / "booth.plan.toml").write_text(dedent(plan))
    (folder / "booth.toml").write_text(dedent(head) + dedent(truth))
    return read_site(folder / "booth.toml")


def bench_of(folder: Path, truth: str = "", plan: str = PLAN, head: str = PERFECT) -> Bench:
    """A bench on that site."""
    return Bench(site_of(folder, truth, plan, head))


def placed(text: str) -> Placement:
    """`open`, `short`, or an item and what is between, as an operator writes it."""
    return Apart() if text == "open" else Joined() if text == "short" else OnItem(*text.split())


def truth_at(bench: Bench, where: str, function: Function, setting: RcdSetting | None = None) -> Truth:
    """What a meter has before it with its leads there."""
    bench.place(placed(where), function)
    return bench.truth(function, setting or RcdSetting())


def ohm_at(bench: Bench, where: str, function: Function = Function.INSULATION) -> float:
    """The resistance that a meter has before it, leads included, ohms."""
    return truth_at(bench, where, function).base
