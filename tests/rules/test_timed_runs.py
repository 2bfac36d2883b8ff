"""Timed runs out of readings: where they begin, what ends them, and that the order of arrival changes nothing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from decimal import Decimal
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.quantity import Displayed, Relation
from logger.timed_run import MARKS_S
from logger.timed_runs import (
    CHANGED,
    LEFT,
    POINTS_AT_MOST,
    RESTARTED,
    STOPPED,
    Run,
    RunNow,
    RunPoint,
    Thinner,
    find_runs,
    point_of,
)

START_MS = 7_000


def value_at(at_s: float) -> Displayed:
    """Insulation that rises with time: 100 MOhm, and one more each second."""
    return Displayed(f"{100 + at_s:.1f}", "MOhm")


def points(
    seconds: float, per_second: int = 10, first_n: int = 1, start_ms: int = START_MS, **more: Any
) -> list[RunPoint]:
    """A steady stream under selection 5."""
    made = []
    for k in range(round(seconds * per_second) + 1):
        n, at_s = first_n + k, k / per_second
        fields = {"voltage": "500", "selection": 5, "counts": True, "ends": False, **more}
        value = fields.pop("value", None) or value_at(at_s)
        made.append(RunPoint((0, n), start_ms + round(at_s * 1000), value, entry=1000 + n, **fields))
    return made


def after(earlier: list[RunPoint], wait_s: float, seconds: float, **more: Any) -> list[RunPoint]:
    last = earlier[-1]
    return points(seconds, first_n=last.order[1] + 1, start_ms=last.ms + round(wait_s * 1000), **more)


def only(runs: list[Run]) -> Run:
    assert len(runs) == 1
    return runs[0]


def live(made: Iterable[RunPoint]) -> Run | None:
    now = RunNow()
    for point in made:
        now.take(point)
    return now.run()


OVER = Displayed("1000", "MOhm", Relation.ABOVE)
JOINED = Displayed("0.00", "MOhm")


def test_the_ratios_and_the_entries_of_a_whole_run() -> None:
    run = only(find_runs(points(605)))
    ratios = run.timed.ratios()
    assert (ratios.dar, ratios.pi) == (Decimal(160) / Decimal(130), Decimal(700) / Decimal(160))
    assert [run.timed.marks[mark].entry for mark in MARKS_S] == [1301, 1601, 7001]
    assert (run.selection, run.voltage, run.ended, ratios.missing) == (5, "500", "", "")


def test_it_begins_when_the_leads_touch_and_not_when_something_is_selected() -> None:
    apart = points(20, value=OVER)
    run = find_runs([*apart, *after(apart, 0.1, 65)])[-1]
    assert run.timed.latest_s == pytest.approx(65)
    assert run.timed.ratios().dar == Decimal(160) / Decimal(130)


def test_a_voltage_that_was_on_before_counts_from_then() -> None:
    """Leads on the circuit, and selected 12 s later: 30 s is 30 s of voltage, not of being selected."""
    early = points(12, selection=None, counts=False)
    run = only(find_runs([*early, *after(early, 0.1, 55)]))
    assert run.timed.marks[30].entry == 1301
    early = points(40, selection=None, counts=False)
    run = only(find_runs([*early, *after(early, 0.1, 55)]))
    assert run.timed.ratios().missing.startswith("no reading near 30 s")


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"order": (1, 1), "ms": 900}, RESTARTED),
        ({"voltage": "250"}, CHANGED),
        ({"ends": True, "counts": False}, CHANGED),
        ({"selection": 9}, CHANGED),
        ({"ms": START_MS + 42_200}, STOPPED),
    ],
)
def test_what_ends_a_run(change: dict[str, Any], why: str) -> None:
    made = points(40)
    nxt = replace(made[-1], order=(0, made[-1].order[1] + 1), ms=made[-1].ms + 100)
    runs = find_runs([*made, replace(nxt, **change)])
    assert runs[0].ended == why
    assert runs[0].timed.ratios(over=True).missing == "60 s not reached; 10 min not reached"
    assert 30 in runs[0].timed.marks


def test_leads_off_and_on_again_is_a_new_run() -> None:
    first = points(40)
    off = after(first, 0.1, 1, value=OVER)
    runs = find_runs([*first, *off, *after(off, 0.1, 40)])
    assert [run.ended for run in runs] == [LEFT, ""]
    assert runs[1].timed.latest_s == pytest.approx(40)
    joined = after(first, 0.1, 1, value=JOINED)
    assert len(find_runs([*first, *joined, *after(joined, 0.1, 40)])) == 2


def test_flickering_at_the_top_of_the_range_is_one_run() -> None:
    source = Random(4)
    high = Displayed("998", "MOhm")
    made = [replace(point, value=source.choice((high, OVER))) for point in points(70)]
    assert only(find_runs(made)).timed.latest_s == pytest.approx(70)


def test_over_range_at_a_mark_gives_no_ratio() -> None:
    made = [replace(point, value=OVER) if 59 < k / 10 < 61 else point for k, point in enumerate(points(65))]
    run = find_runs(made)[0]
    assert run.timed.ratios().dar is None
    assert "out of range at 60 s" in run.timed.ratios().missing


def test_a_reading_turned_away_counts_for_no_mark() -> None:
    made = [replace(point, counts=False) if 285 < k < 315 else point for k, point in enumerate(points(65))]
    run = only(find_runs(made))
    assert run.timed.ratios().missing.startswith("no reading near 30 s")
    assert 60 in run.timed.marks


def gap(made: list[RunPoint], first: int, last: int) -> tuple[list[RunPoint], list[RunPoint]]:
    """The stream with numbers missing, the first after them marked; and what is missing."""
    there = [p for p in made if not first <= p.order[1] <= last]
    at = next(k for k, p in enumerate(there) if p.order[1] > last)
    there[at] = replace(there[at], after_drop_out=True)
    return there, [p for p in made if first <= p.order[1] <= last]


def test_a_drop_out_over_a_mark_is_filled_in_the_log_and_on_the_screen() -> None:
    there, missing = gap(points(65), 250, 380)
    run = live(there)
    assert run is not None
    assert run.timed.ratios().missing.startswith("no reading near 30 s")
    at = next(k for k, p in enumerate(there) if p.after_drop_out) + 3
    for made in ([*there[:at], *missing, *there[at:]], [*there, *missing]):
        run = live(made)
        assert run is not None
        assert run.timed.ratios().dar == Decimal(160) / Decimal(130)
        assert only(find_runs(made)).timed.ratios() == run.timed.ratios()


def test_a_meter_that_was_silent_while_the_line_was_away_goes_on() -> None:
    """It counted nothing meanwhile; only its own clock tells that the voltage may have stayed."""
    first = points(20)
    goes_on = after(first, 15, 40)
    goes_on[0] = replace(goes_on[0], after_drop_out=True)
    assert only(find_runs([*first, *goes_on])).timed.latest_s == pytest.approx(75)
    goes_on[0] = replace(goes_on[0], value=Displayed("3.0", "MOhm"))
    assert find_runs([*first, *goes_on])[0].ended == LEFT


def test_leads_that_were_off_within_a_gap_are_found_when_it_is_filled() -> None:
    made = points(65)
    away = [replace(p, value=OVER) if 300 <= p.order[1] < 310 else p for p in made]
    back = [replace(p, value=Displayed("40.0", "MOhm")) if p.order[1] >= 310 else p for p in away]
    there, missing = gap(back, 300, 305)
    run = live([*there, *missing])
    assert run is not None
    assert run.timed.latest_s < 40


@pytest.mark.parametrize("per_second", [1, 10, 500])
def test_any_pace(per_second: int) -> None:
    made = points(65, per_second)
    thinner = Thinner()
    thinned = [kept for point in made for kept in thinner.keep(point)]
    assert len(thinned) <= 2 * 65 / 0.08 + 2
    for run in (only(find_runs(thinned)), live(made)):
        assert run is not None
        assert run.timed.ratios().dar == pytest.approx(Decimal(160) / Decimal(130), rel=Decimal("0.001"))


def test_a_pause_is_seen_at_any_pace() -> None:
    first = points(5, 500)
    later = points(5, 500, first_n=first[-1].order[1] + 1, start_ms=first[-1].ms + 2_500)
    thinner = Thinner()
    thinned = [kept for point in (*first, *later) for kept in thinner.keep(point)]
    assert [run.ended for run in find_runs(thinned)] == [STOPPED, ""]


def test_the_screen_keeps_no_more_than_it_needs() -> None:
    now = RunNow()
    for point in points(3_000, 10):
        now.take(point)
    assert len(now._points) == 1
    run = now.run()
    assert run is not None
    assert set(run.timed.marks) == set(MARKS_S)
    for point in points(3_000, 10, ends=True, counts=False):
        now.take(replace(point, order=(1, point.order[1])))
    assert len(now._points) == 1
    assert now.run() is None


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(["on", "apart", "joined", "away", "check", "pause", "other"]), max_size=8), st.data())
def test_whatever_comes_screen_and_log_agree(kinds: list[str], data: st.DataObject) -> None:
    """Of the run that goes on, both say the same; and no mark is ever out of its place."""
    made = points(0.5)
    for kind in kinds:
        changes: dict[str, dict[str, Any]] = {
            "apart": {"value": OVER},
            "joined": {"value": JOINED},
            "away": {"counts": False},
            "check": {"ends": True, "counts": False},
            "other": {"selection": data.draw(st.integers(5, 6))},
        }
        more = changes.get(kind, {})
        made += after(made, 3 if kind == "pause" else 0.1, data.draw(st.sampled_from([0.5, 31, 62])), **more)
    runs, now = find_runs(made), live(made)
    newest = runs[-1] if runs and not runs[-1].ended else None
    assert (now is None) == (newest is None)
    if now is not None and newest is not None:
        assert now.timed.marks == newest.timed.marks
    for run in runs:
        for mark_s, mark in run.timed.marks.items():
            point = next(p for p in made if p.entry == mark.entry)
            assert abs(point.ms - run.timed.start_ms - mark_s * 1000) <= 5_000
            assert point.counts


BODY = {
    "serial": "0417",
    "n": 7,
    "function": "insulation",
    "relation": "eq",
    "value": "212",
    "unit": "MOhm",
    "voltage": "500",
    "accepted": True,
    "reasons": [],
    "origin": "meter",
    "meter_ms": 1200,
    "selection": 5,
}


def test_what_is_no_point_of_a_run() -> None:
    point = point_of(9, BODY, 2)
    assert point == RunPoint((2, 7), 1200, Displayed("212", "MOhm"), "500", 5, counts=True, ends=False, entry=9)
    assert point_of(9, {**BODY, "meter_ms": None}, 0) is None
    assert point_of(9, {**BODY, "origin": "keyed"}, 0) is None
    assert point_of(9, {**BODY, "accepted": False, "reasons": ["repeat"]}, 0) is None
    assert point_of(9, {**BODY, "value": "inf", "relation": "gt"}, 0) is None
    changes: list[dict[str, Any]] = [
        {"function": "continuity"},
        {"reasons": ["live-leads"], "accepted": False},
        {"check": "zero"},
    ]
    for more in changes:
        ends = point_of(9, {**BODY, **more}, 0)
        assert ends is not None
        assert ends.ends
        assert more == {"check": "zero"} or not ends.counts


def test_a_long_run_keeps_few_points_and_still_takes_in_what_comes_late() -> None:
    """Eleven minutes at fifty a second; the readings around the 60 s mark are sent only at the end."""
    made = points(660, per_second=50)
    now, most = RunNow(), 0
    for point in sorted(made, key=lambda each: (50_000 <= each.ms - START_MS <= 70_000, each.order)):
        now.take(point)
        most = max(most, now.held)
    assert most <= POINTS_AT_MOST
    run = now.run()
    assert run is not None
    whole = only(find_runs(made))
    assert run.timed.marks.keys() == whole.timed.marks.keys()
    assert {mark: each.entry for mark, each in run.timed.marks.items()} == {
        mark: each.entry for mark, each in whole.timed.marks.items()
    }
