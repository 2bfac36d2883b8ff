"""Verdicts: inequalities, uncertainty, both decisions, windows, disputed rules; speed; agreement with a Monte-Carlo."""

from __future__ import annotations

import bisect
import random
import timeit
from dataclasses import replace
from decimal import Decimal
from functools import lru_cache

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from logger.job.model import Decision
from logger.quantity import Displayed, Function, Relation, Test
from logger.reading import Range, Reading
from logger.rules.limit import Confidence, Limit, Side, edge
from logger.rules.uncertainty import conformity_rectangular, display_limit
from logger.rules.verdict import Judgement, Verdict, judge
from logger.screening import Situation, Standing, Wanted, screen

SCREENING_AND_VERDICT_US = 40.0
"""Issue's own number: microseconds a reading for both."""

MONTE_CARLO_TOLERANCE = 0.005
MONTE_CARLO_CASES = 40

METER = Range(
    Function.INSULATION, "2", "MOhm", Decimal(0), Decimal(100), Decimal("0.01"), Decimal(3), Decimal(2), ("500",)
)


def limit(side: Side, figure: str, unit: str, **more: object) -> Limit:
    fields: dict[str, object] = {
        "rule": "own/one",
        "unit": unit,
        "edges": (edge(side, Decimal(figure), unit, figure),),
        "source": "the bench",
        "confidence": Confidence.PUBLIC,
        "sentence": "what is asked",
        "operating_percent": 30.0,
    }
    return Limit(**{**fields, **more})  # type: ignore[arg-type]


AT_LEAST_1 = limit(Side.MIN, "1.0", "MOhm")
AT_MOST_HALF = limit(Side.MAX, "0.5", "Ohm")


def shown(text: str, unit: str = "MOhm", relation: str = "eq") -> Displayed:
    return Displayed(text, unit, Relation(relation))


@pytest.mark.parametrize(
    ("text", "unit", "relation", "verdict"),
    [
        ("412", "MOhm", "eq", Verdict.MEETS),
        ("1.0", "MOhm", "eq", Verdict.MEETS),
        ("0.99", "MOhm", "eq", Verdict.FAILS),
        ("990", "kOhm", "eq", Verdict.FAILS),
        ("1.0", "GOhm", "eq", Verdict.MEETS),
        ("0.00", "MOhm", "eq", Verdict.FAILS),
        ("1000", "MOhm", "gt", Verdict.MEETS),
        ("1.0", "MOhm", "gt", Verdict.MEETS),
        ("0.5", "MOhm", "gt", Verdict.UNDECIDED),
        ("0.02", "MOhm", "lt", Verdict.FAILS),
        ("1.0", "MOhm", "lt", Verdict.FAILS),
        ("2.0", "MOhm", "lt", Verdict.UNDECIDED),
        ("inf", "MOhm", "gt", Verdict.MEETS),
    ],
)
def test_least_value(text: str, unit: str, relation: str, verdict: Verdict) -> None:
    assert judge(shown(text, unit, relation), AT_LEAST_1, METER, Decision.SIMPLE).verdict is verdict


@pytest.mark.parametrize(
    ("text", "relation", "verdict"),
    [
        ("0.21", "eq", Verdict.MEETS),
        ("0.50", "eq", Verdict.MEETS),
        ("0.51", "eq", Verdict.FAILS),
        ("0.05", "lt", Verdict.MEETS),
        ("0.50", "lt", Verdict.MEETS),
        ("0.60", "lt", Verdict.UNDECIDED),
        ("20", "gt", Verdict.FAILS),
        ("0.50", "gt", Verdict.FAILS),
        ("0.20", "gt", Verdict.UNDECIDED),
        ("inf", "gt", Verdict.FAILS),
    ],
)
def test_greatest_value(text: str, relation: str, verdict: Verdict) -> None:
    assert judge(shown(text, "Ohm", relation), AT_MOST_HALF, None, Decision.SIMPLE).verdict is verdict


def test_what_the_record_keeps() -> None:
    got = judge(shown("512.3"), AT_LEAST_1, METER, Decision.SIMPLE)
    assert got == Judgement(
        Verdict.MEETS,
        "meets, 512 times over",
        limit="1.0",
        limit_unit="MOhm",
        side="min",
        margin="511.3",
        rule="own/one",
        source="the bench",
        probability="1.0000",
        standard_uncertainty="8.885",
    )
    assert judge(shown("0.56", "Ohm"), AT_MOST_HALF, METER, Decision.SIMPLE).margin == "-0.12"


@pytest.mark.parametrize(
    ("text", "decision", "sentence"),
    [
        ("1.12", Decision.SIMPLE, "meets, by 12 %"),
        ("1.12", Decision.GUARDED, "meets, by 12 %"),
        ("1.05", Decision.SIMPLE, "meets, but inside the meter's uncertainty"),
        ("1.05", Decision.GUARDED, "undecided: the limit lies inside the meter's uncertainty"),
        ("0.97", Decision.SIMPLE, "fails, but inside the meter's uncertainty"),
        ("0.97", Decision.GUARDED, "undecided: the limit lies inside the meter's uncertainty"),
        ("0.50", Decision.GUARDED, "fails, by 50 %"),
    ],
)
def test_near_the_limit(text: str, decision: Decision, sentence: str) -> None:
    assert judge(shown(text), AT_LEAST_1, METER, decision).sentence == sentence


def test_without_the_meters_accuracy_the_standards_own_stands_in() -> None:
    known = judge(shown("1.20"), AT_LEAST_1, METER, Decision.GUARDED)
    unknown = judge(shown("1.20"), AT_LEAST_1, None, Decision.GUARDED)
    assert (known.verdict, unknown.verdict) == (Verdict.MEETS, Verdict.UNDECIDED)
    assert unknown.standard_uncertainty == "0.18"  # 30 % of 1.20 at about 95 %: half of it


@pytest.mark.parametrize(
    ("text", "unit", "verdict"),
    [
        ("0.38", "Ohm", Verdict.MEETS),
        ("0.39", "Ohm", Verdict.UNDECIDED),
        ("0.71", "Ohm", Verdict.UNDECIDED),
        ("0.72", "Ohm", Verdict.FAILS),
        ("1.43", "MOhm", Verdict.MEETS),
        ("1.42", "MOhm", Verdict.UNDECIDED),
        ("0.76", "MOhm", Verdict.FAILS),
    ],
)
def test_a_meter_that_tells_no_accuracy_at_the_display_limit(text: str, unit: str, verdict: Verdict) -> None:
    """What a display may show is limit/1.3 at most, limit/0.7 at least (IEC 61557, 30 %)."""
    asked = AT_LEAST_1 if unit == "MOhm" else AT_MOST_HALF
    assert judge(shown(text, unit), asked, None, Decision.GUARDED).verdict is verdict


@settings(deadline=None)
@given(st.decimals(min_value="0.01", max_value=50, places=2), st.sampled_from([Side.MIN, Side.MAX]), st.integers(1, 60))
def test_verdict_and_display_limit_give_one_answer(value: Decimal, side: Side, percent: int) -> None:
    asked = limit(side, "1.0", "MOhm", operating_percent=float(percent))
    at_most = side is Side.MAX
    may_show = display_limit(1.0, percent, at_most=at_most)
    assume(abs(float(value) - may_show) > 1e-9)
    clear = float(value) < may_show if at_most else float(value) > may_show
    assert (judge(shown(f"{value}"), asked, None, Decision.GUARDED).verdict is Verdict.MEETS) is clear


def test_accuracy_in_another_unit_than_the_limit() -> None:
    in_kilohm = Range(Function.INSULATION, "1", "kOhm", Decimal(0), Decimal(2000), Decimal(10), Decimal(3), Decimal(2))
    got = judge(shown("1050", "kOhm"), AT_LEAST_1, in_kilohm, Decision.SIMPLE)
    assert got.standard_uncertainty == judge(shown("1.05"), AT_LEAST_1, METER, Decision.SIMPLE).standard_uncertainty
    assert got.probability == "0.9537"


def test_leads_are_taken_off_once_and_said() -> None:
    with_leads = judge(shown("0.62", "Ohm"), AT_MOST_HALF, None, Decision.SIMPLE, lead_ohm=Decimal("0.15"))
    assert with_leads.verdict is Verdict.MEETS
    assert with_leads.sentence.endswith(", less 0.15 Ohm of leads")
    assert judge(shown("0.62", "Ohm"), AT_MOST_HALF, None, Decision.SIMPLE).verdict is Verdict.FAILS


def test_leads_are_said_where_nothing_is_judged() -> None:
    """Once, with what is left, whether a limit is unsure, has no figure, or is not there."""
    unsure = limit(Side.MAX, "0.5", "Ohm", confidence=Confidence.UNSURE)
    for nothing in (None, unsure, replace(unsure, edges=())):
        got = judge(shown("0.80", "Ohm"), nothing, None, Decision.SIMPLE, lead_ohm=Decimal("0.30"))
        assert got.verdict is Verdict.RECORDED
        assert got.sentence.endswith("0.80 Ohm less 0.30 Ohm of leads is 0.50 Ohm")
        assert got.sentence.count("leads") == 1
        over = judge(shown("20", "Ohm", "gt"), nothing, None, Decision.SIMPLE, lead_ohm=Decimal("0.30"))
        assert over.sentence.endswith("; less 0.30 Ohm of leads")
        assert "leads" not in judge(shown("0.80", "Ohm"), nothing, None, Decision.SIMPLE).sentence


def test_window() -> None:
    edges = (edge(Side.MIN, Decimal(130), "ms", "130"), edge(Side.MAX, Decimal(500), "ms", "500"))
    window = limit(Side.MIN, "130", "ms", edges=edges, operating_percent=10.0)
    took = {text: judge(shown(text, "ms"), window, None, Decision.SIMPLE) for text in ("60", "300", "480", "620")}
    assert [took[text].verdict for text in took] == [Verdict.FAILS, Verdict.MEETS, Verdict.MEETS, Verdict.FAILS]
    assert (took["60"].limit, took["60"].side) == ("130", "min")
    assert (took["480"].limit, took["480"].side) == ("500", "max")
    assert judge(shown("999", "ms", "gt"), window, None, Decision.SIMPLE).verdict is Verdict.FAILS


@pytest.mark.parametrize(
    ("text", "relation", "verdict"),
    [
        ("999", "gt", "meets"),
        ("300", "gt", "meets"),
        ("200", "gt", "undecided"),
        ("310", "eq", "fails"),
        ("9", "lt", "fails"),
    ],
)
def test_a_device_that_must_not_operate(text: str, relation: str, verdict: str) -> None:
    must_hold = limit(Side.MIN, "300", "ms", no_trip=True)
    assert judge(shown(text, "ms", relation), must_hold, None, Decision.SIMPLE).verdict.value == verdict


def test_between_two_readings_of_a_rule_nothing_is_judged() -> None:
    disputed = limit(Side.MAX, "0.3667", "Ohm", doubt=edge(Side.MAX, Decimal("0.4"), "Ohm", "0.4"))
    verdicts = {text: judge(shown(text, "Ohm"), disputed, None, Decision.SIMPLE) for text in ("0.30", "0.38", "0.45")}
    assert [j.verdict for j in verdicts.values()] == [Verdict.MEETS, Verdict.RECORDED, Verdict.FAILS]
    assert verdicts["0.38"].limit is None
    assert verdicts["0.45"].limit == "0.4"


@pytest.mark.parametrize("confidence", [Confidence.UNSURE, Confidence.SUGGESTED])
@pytest.mark.parametrize("text", ["0.01", "0.5", "99"])
def test_what_is_unsure_never_becomes_a_verdict(confidence: Confidence, text: str) -> None:
    got = judge(shown(text, "Ohm"), limit(Side.MAX, "0.5", "Ohm", confidence=confidence), None, Decision.SIMPLE)
    assert got.verdict is Verdict.RECORDED
    assert (got.limit, got.margin) == (None, None)
    assert "check your edition" in got.sentence


def test_no_limit() -> None:
    got = judge(shown("0.2", "Ohm"), None, None, Decision.GUARDED)
    assert (got.verdict, got.rule) == (Verdict.RECORDED, None)


readings = st.decimals(min_value=0, max_value=5000, places=2, allow_nan=False)


@settings(deadline=None)
@given(readings, readings, st.sampled_from(Decision))
def test_more_insulation_is_never_worse(one: Decimal, other: Decimal, decision: Decision) -> None:
    order = [Verdict.FAILS, Verdict.UNDECIDED, Verdict.MEETS]
    low, high = sorted((one, other))
    worse = judge(shown(f"{low}"), AT_LEAST_1, METER, decision)
    better = judge(shown(f"{high}"), AT_LEAST_1, METER, decision)
    assert order.index(worse.verdict) <= order.index(better.verdict)


@settings(deadline=None)
@given(readings)
def test_the_guarded_decision_is_the_simple_one_or_none(value: Decimal) -> None:
    simple = judge(shown(f"{value}"), AT_LEAST_1, METER, Decision.SIMPLE)
    guarded = judge(shown(f"{value}"), AT_LEAST_1, METER, Decision.GUARDED)
    assert guarded.verdict in {simple.verdict, Verdict.UNDECIDED}
    assert guarded.probability == simple.probability
    assert (Decimal(simple.margin or 0) >= 0) is (simple.verdict is Verdict.MEETS)


@lru_cache(maxsize=1)
def _errors() -> list[float]:
    """A quarter of a million errors of a normal measurement, sorted; in standard deviations."""
    source = random.Random(20270301)
    return sorted(source.normalvariate(0.0, 1.0) for _ in range(250_000))


def _cases(seed: int) -> list[tuple[float, float, bool]]:
    source = random.Random(seed)
    return [(source.uniform(0.86, 1.16), source.choice((0.01, 0.05)), source.random() < 0.5) for _ in range(40)]


@pytest.mark.parametrize("seed", [7])
def test_probability_agrees_with_a_monte_carlo(seed: int) -> None:
    cases = _cases(seed)
    assert len(cases) == MONTE_CARLO_CASES
    for reading, step, at_most in cases:
        meter = replace(METER, resolution=Decimal(str(step)))
        side = Side.MAX if at_most else Side.MIN
        text = f"{reading:.2f}"
        got = judge(shown(text), limit(side, "1.0", "MOhm"), meter, Decision.SIMPLE)
        half_width = 0.03 * float(text) + 2 * step
        # The true value is the reading less its error: count those on the good side.
        reach = (float(text) - 1.0) / (half_width / 3**0.5)
        errors = _errors()
        below = bisect.bisect_right(errors, reach) / len(errors)  # errors so small that truth is above the limit
        expected = 1 - below if at_most else below
        assert float(got.probability or "nan") == pytest.approx(expected, abs=MONTE_CARLO_TOLERANCE)


def test_rectangular_probability_agrees_with_a_monte_carlo() -> None:
    source = random.Random(11)
    errors = sorted(source.uniform(-1.0, 1.0) for _ in range(250_000))
    for reading, step, at_most in _cases(13):
        half_width = 0.03 * reading + 2 * step
        below = bisect.bisect_right(errors, (reading - 1.0) / half_width) / len(errors)
        expected = 1 - below if at_most else below
        got = conformity_rectangular(reading, 1.0, half_width, at_most=at_most)
        assert got == pytest.approx(expected, abs=MONTE_CARLO_TOLERANCE)


@pytest.mark.parametrize(
    "at_most_us",
    [400.0, pytest.param(SCREENING_AND_VERDICT_US, marks=pytest.mark.slow, id="40 us, on a quiet machine")],
)
def test_screening_and_verdict_are_quick(at_most_us: float) -> None:
    reading = Reading(1, Function.INSULATION, shown("512.3"), range_mark="2", voltage="500")
    situation = Situation(False, False, False, Standing.PROVEN, Wanted(Test.INSULATION, Decimal(500)), (METER,))

    def both() -> None:
        screen(reading, situation)
        judge(reading.value, AT_LEAST_1, METER, Decision.SIMPLE)

    rounds = 1000
    fastest_s = min(timeit.repeat(both, number=rounds, repeat=7)) / rounds
    assert fastest_s * 1e6 <= at_most_us
