"""Readings against each other: told only where the intervals cannot meet."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.job.model import Cable
from logger.quantity import Displayed, Relation
from logger.rules.agreement import (
    INFINITE,
    Interval,
    continuity_against_cable,
    expected_ohm,
    interval_of,
    loop_against_parts,
    ring_legs,
    side_by_side,
    whole_against_circuits,
)
from logger.rules.physics.conductors import Ring

MOHM = Decimal(10**6)
CABLE = Cable(Decimal(28), Decimal("2.5"), None, Decimal("1.5"))


def around(figure: str, slack: str = "0.01") -> Interval:
    return Interval(Decimal(figure) - Decimal(slack), Decimal(figure) + Decimal(slack))


def test_intervals() -> None:
    assert interval_of(Displayed("1.00", "MOhm"), 5e4) == Interval(Decimal(950_000), Decimal(1_050_000))
    assert interval_of(Displayed("1000", "MOhm", Relation.ABOVE), 0.0).high == INFINITE
    assert interval_of(Displayed("0.02", "Ohm", Relation.BELOW), 0.01) == Interval(Decimal(0), Decimal("0.03"))
    assert interval_of(Displayed("inf", "MOhm", Relation.ABOVE), 0.0) == Interval(INFINITE, INFINITE)


def test_over_range_branches_stay_bounds() -> None:
    over = Interval(999 * MOHM, INFINITE)
    together = side_by_side([Interval(12 * MOHM, 12 * MOHM), Interval(30 * MOHM, 30 * MOHM), over])
    assert float(together.low) == pytest.approx(8.498511272e6)
    assert float(together.high) == pytest.approx(8.571428571e6)
    assert side_by_side([over, over]).high == INFINITE


def test_whole_installation() -> None:
    circuits = [Interval(20 * MOHM, 22 * MOHM) for _ in range(12)]
    assert whole_against_circuits(Interval(Decimal(17) * MOHM / 10, Decimal(18) * MOHM / 10), circuits) is None
    good = whole_against_circuits(Interval(50 * MOHM, 60 * MOHM), circuits)
    bad = whole_against_circuits(Interval(Decimal(0), MOHM / 2), circuits)
    assert good is not None
    assert good.code == "whole-too-good"
    assert "not every circuit was connected" in good.sentence
    assert bad is not None
    assert bad.code == "whole-too-bad"


def test_loop() -> None:
    supply, conductors = around("0.35"), around("0.55")
    assert loop_against_parts(around("0.90"), supply, conductors) is None
    high, low = (loop_against_parts(around(figure), supply, conductors) for figure in ("1.40", "0.60"))
    assert high is not None
    assert "loose or burnt" in high.sentence
    assert low is not None
    assert low.code == "loop-too-low"


@pytest.mark.parametrize(
    ("reading", "code"),
    [("0.55", None), ("0.50", None), ("0.95", "continuity-too-high"), ("0.20", "continuity-too-low")],
)
def test_continuity_against_cable(reading: str, code: str | None) -> None:
    found = continuity_against_cable(Decimal(reading), CABLE, Decimal("0.02"), with_line=True)
    assert (found.code if found else None) == code
    assert found is None or " m of it" in found.sentence


def test_expected_resistance() -> None:
    assert expected_ohm(CABLE, with_line=True) == Decimal("0.54628")
    assert expected_ohm(CABLE, with_line=False) == Decimal("0.3388")
    assert expected_ohm(Cable(Decimal(28)), with_line=False) is None
    assert expected_ohm(Cable(Decimal(28), earth_mm2=Decimal("2.4")), with_line=False) is None
    assert continuity_against_cable(Decimal(9), Cable(), Decimal(0), with_line=False) is None


def test_ring() -> None:
    assert ring_legs(Ring(Decimal("0.64"), Decimal("0.66"), Decimal("1.07"))) is None
    found = ring_legs(Ring(Decimal("0.64"), Decimal("0.81"), Decimal("1.07")))
    assert found is not None
    assert "0.17 Ohm" in found.sentence


@settings(deadline=None)
@given(st.lists(st.decimals(min_value=1, max_value=999, places=1), min_size=1, max_size=12), st.data())
def test_what_is_true_is_never_accused(branches: list[Decimal], data: st.DataObject) -> None:
    truth = 1 / sum((1 / branch for branch in branches), Decimal(0))
    widths = data.draw(
        st.lists(st.decimals(min_value=0, max_value=1, places=2), min_size=len(branches) + 1, max_size=99)
    )
    intervals = [Interval(b - w * b / 2, b + w * b) for b, w in zip(branches, widths, strict=False)]
    whole = Interval(truth * (1 - widths[-1] / 2), truth * (1 + widths[-1]))
    slack = Decimal("1E-20")
    wider = [Interval(i.low * (1 - slack), i.high * (1 + slack)) for i in intervals]
    assert whole_against_circuits(whole, wider) is None
