"""Large digits, the scale, the trace, and what gives way where there is little room."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.quantity import Displayed, Function, Relation
from logger.reading import Range
from tui.sentence.scale import Bounds, accuracy_base, scale_for
from tui.view import ScaleView, TraceView
from tui.widgets.block_digits import STROKES, can_draw, draw, strike
from tui.widgets.scale_rows import ALLOWED, LIMIT, NOT_ALLOWED, SPREAD, UNJUDGED, draw_scale
from tui.widgets.trace_row import bars_of

figures = st.text("0123456789.", min_size=1, max_size=7)


@given(st.sampled_from(["", ">", "<", "-"]), figures, st.booleans())
def test_every_row_of_digits_is_as_wide_as_the_others(sign: str, figure: str, twice: bool) -> None:
    rows = draw(sign + figure, twice=twice)
    assert len(rows) == (7 if twice else 4)
    assert len({len(row) for row in rows}) == 1
    assert any(row.strip() for row in rows)


def test_every_character_is_drawn_differently() -> None:
    drawn = {draw(character) for character in STROKES}
    assert len(drawn) == len(STROKES)


def test_strokes_are_even() -> None:
    for character, rows in STROKES.items():
        assert len(rows) == 7, character
        assert len({len(row) for row in rows}) == 1, character


def test_what_does_not_count_is_struck_through_without_colour() -> None:
    rows = draw("412")
    struck = strike(rows)
    assert "─" in struck[len(rows) // 2]
    assert struck != rows
    assert [row.replace("─", " ") for row in struck] == list(rows)


@pytest.mark.parametrize("text", ["", "abc", "1,2", "12 Ω"])
def test_what_has_no_strokes_is_not_drawn(text: str) -> None:
    assert not can_draw(text)


def insulation(text: str, relation: Relation = Relation.EQUAL, bounds: Bounds = Bounds(1e6)) -> ScaleView:  # noqa: B008
    return scale_for(Function.INSULATION, Displayed(text, "MOhm", relation), "MOhm", bounds, (), None)


def test_a_decade_takes_the_same_room_everywhere() -> None:
    places = [insulation(text).value for text in ("0.01", "0.1", "1", "10", "100", "1000")]
    steps = [round(b - a, 6) for a, b in pairwise(places) if a is not None and b is not None]
    assert steps == [0.2] * 5


def test_the_limit_parts_heavy_from_dotted() -> None:
    rows = draw_scale(insulation("412"), 71)
    (limit,) = rows.limits
    assert rows.track[limit] == LIMIT
    assert set(rows.track[:limit]) == {NOT_ALLOWED}
    assert set(rows.track[limit + 1 :]) <= {ALLOWED, SPREAD}
    assert "limit 1" in rows.labels
    assert rows.labels.endswith("MΩ ∞")


def test_a_limit_from_above_parts_them_the_other_way_round() -> None:
    view = scale_for(Function.EARTH_LOOP, Displayed("0.87", "Ohm"), "Ohm", Bounds(None, 1.37), (), 0.05)
    rows = draw_scale(view, 71)
    (limit,) = rows.limits
    assert set(rows.track[:limit]) <= {ALLOWED, SPREAD}
    assert set(rows.track[limit + 1 :]) == {NOT_ALLOWED}


def test_no_limit_no_sides() -> None:
    rows = draw_scale(insulation("412", bounds=Bounds()), 71)
    assert set(rows.track) == {UNJUDGED, SPREAD}


def test_accuracy_takes_its_room_on_the_scale() -> None:
    reading = Displayed("0.50", "Ohm")
    measured_on = Range(
        Function.CONTINUITY, "1", "Ohm", Decimal(0), Decimal(20), Decimal("0.01"), Decimal(10), Decimal(5)
    )
    accuracy = accuracy_base(reading, measured_on)
    assert accuracy == pytest.approx(0.1)  # 10 % of 0.50 and 5 steps of 0.01
    view = scale_for(Function.CONTINUITY, reading, "Ohm", Bounds(None, 1.0), (), accuracy)
    assert (view.low, view.value, view.high) == pytest.approx((0.4 / 1.5, 0.5 / 1.5, 0.6 / 1.5))
    rows = draw_scale(view, 71)
    assert rows.mark_to - rows.mark_from > 5


@pytest.mark.parametrize(("relation", "sign"), [(Relation.ABOVE, "▶"), (Relation.BELOW, "◀")])
def test_an_inequality_points_where_the_quantity_lies(relation: Relation, sign: str) -> None:
    rows = draw_scale(insulation("100", relation), 71)
    assert rows.track[rows.mark_from] == sign


def test_an_infinity_mark_off_a_dial_stands_at_the_end() -> None:
    view = insulation("inf", Relation.ABOVE)
    assert view.value == 1.0


units = st.sampled_from([("MOhm", Function.INSULATION), ("Ohm", Function.CONTINUITY), ("ms", Function.RCD_TIME)])
decimals = st.decimals(0, 10**6, places=2, allow_nan=False, allow_infinity=False).map(lambda d: format(d, "f"))


@given(units, decimals, st.sampled_from(list(Relation)), st.integers(20, 120), st.floats(1e-3, 1e7))
def test_any_reading_finds_its_place(
    what: tuple[str, Function], text: str, relation: Relation, width: int, limit: float
) -> None:
    unit, function = what
    view = scale_for(function, Displayed(text, unit, relation), unit, Bounds(limit), (), 0.01)
    assert view.low is not None
    assert view.value is not None
    assert view.high is not None
    assert 0 <= view.low <= view.value <= view.high <= 1
    rows = draw_scale(view, width)
    assert len(rows.track) < width
    assert len(rows.labels) <= width
    assert 0 <= rows.mark_from < rows.mark_to <= len(rows.track)


def test_a_second_without_a_reading_is_a_gap_and_one_turned_away_a_dot() -> None:
    trace = TraceView((0.0, None, 1.0, 0.5), (True, False, True, False))
    assert bars_of(trace) == "▁ █·"
