"""Steady or moving, the predicted end, and timed ratios through a drop-out."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from decimal import Decimal

import pytest

from logger.clock import NS_PER_S
from logger.quantity import Displayed, Relation
from logger.settling import Settler, Settling, Steadiness
from logger.timed_run import TimedRun

Curve = Callable[[float], str]


def follow(
    curve: Curve, seconds: float, per_second: int = 10, relation: str = "eq", unit: str = "MOhm"
) -> list[Settling]:
    settler = Settler()
    return [
        settler.add(k * NS_PER_S // per_second, Displayed(curve(k / per_second), unit, Relation(relation)))
        for k in range(int(seconds * per_second))
    ]


def test_nothing_is_said_too_early() -> None:
    assert {s.state for s in follow(lambda _: "412.0", 2.9)} == {Steadiness.UNKNOWN}


def test_steady_and_for_how_long() -> None:
    last = follow(lambda _: "412.0", 8)[-1]
    assert last.state is Steadiness.STEADY
    assert last.steady_for_s == pytest.approx(4.9, abs=0.11)


def test_noise_of_the_last_place_is_steady() -> None:
    source = random.Random(3)
    states = {s.state for s in follow(lambda _: f"0.{source.choice((41, 42, 43))}", 10, unit="Ohm")[40:]}
    assert states == {Steadiness.STEADY}


@pytest.mark.parametrize("per_second", [2, 10, 500])
def test_a_cable_that_charges_moves_and_its_end_is_foreseen(per_second: int) -> None:
    end, constant_s = 200.0, 2.0
    seen = follow(lambda t: f"{end * (1 - math.exp(-t / constant_s)):.2f}", 20, per_second)
    at_4_s = seen[4 * per_second]
    assert at_4_s.state is Steadiness.MOVING
    assert at_4_s.predicted == pytest.approx(end * 1e6, rel=0.05)
    assert seen[-1].state is Steadiness.STEADY
    assert seen[-1].predicted is None


def test_a_straight_climb_has_no_end() -> None:
    last = follow(lambda t: f"{10 + 5 * t:.2f}", 8)[-1]
    assert (last.state, last.predicted) == (Steadiness.MOVING, None)


def test_over_range_is_steady_when_it_stays() -> None:
    assert follow(lambda _: "1000", 5, relation="gt")[-1].state is Steadiness.STEADY
    assert follow(lambda _: "inf", 5, relation="gt")[-1].state is Steadiness.UNKNOWN


def test_a_change_of_relation_begins_anew() -> None:
    settler = Settler()
    for k in range(50):
        last = settler.add(k * NS_PER_S // 10, Displayed("1000", "MOhm", Relation.ABOVE))
    assert last.state is Steadiness.STEADY
    assert settler.add(5 * NS_PER_S, Displayed("900", "MOhm")).state is Steadiness.UNKNOWN


def test_half_of_a_step_a_second_is_within_the_resolution() -> None:
    states = [s.state for s in follow(lambda t: f"{0.30 + 0.005 * t:.3f}", 8, unit="Ohm")]
    assert states[-1] is Steadiness.STEADY
    settler = Settler()
    coarse = [
        settler.add(k * NS_PER_S // 10, Displayed(f"{0.1 + 0.02 * k:.2f}", "Ohm"), resolution_base=Decimal("0.01"))
        for k in range(40)
    ]
    assert coarse[-1].state is Steadiness.MOVING


def _run(times_s: list[float], value: Callable[[float], str] | None = None) -> TimedRun:
    run = TimedRun(start_ms=5000)
    for at_s in times_s:
        text = value(at_s) if value else f"{100 + at_s:.1f}"
        run.add(int(5000 + at_s * 1000), Displayed(text, "MOhm"))
    return run


def test_ratios() -> None:
    run = _run(
        [t / 2 for t in range(1300)], lambda t: {30.0: "160", 60.0: "232", 600.0: "812"}.get(t, f"{150 + t:.1f}")
    )
    ratios = run.ratios()
    assert (ratios.dar, ratios.pi, ratios.missing) == (Decimal("1.45"), Decimal("3.5"), "")
    assert run.next_mark_s() is None


def test_a_drop_out_over_a_mark_is_said_and_filled_when_the_meter_still_knows() -> None:
    away = [t / 2 for t in range(1300) if not 50 < t / 2 < 80]
    run = _run(away)
    assert run.ratios().dar is None
    assert run.ratios().missing == "no reading near 60 s"
    run.add(5000 + 59_600, Displayed("159.6", "MOhm"))
    run.add(5000 + 60_200, Displayed("160.2", "MOhm"))
    ratios = run.ratios()
    assert ratios.missing == ""
    assert ratios.dar == Decimal("160.2") / Decimal("130")


@pytest.mark.parametrize("order", [1, -1])
def test_the_order_of_arrival_changes_nothing(order: int) -> None:
    times = [t / 2 for t in range(1300)][::order]
    assert _run(times).ratios() == _run(times[::-1]).ratios()


def test_early_and_over_range() -> None:
    run = _run([t / 2 for t in range(70)])
    assert run.ratios().missing == "60 s not reached yet; 10 min not reached yet"
    assert run.next_mark_s() == pytest.approx(60 - 34.5)
    run.add(5000 + 60_000, Displayed("1000", "MOhm", Relation.ABOVE))
    assert run.ratios().dar is None
    assert "out of range at 60 s" in run.ratios().missing
