"""The statistics behind findings: how often they accuse an honest instrument, and whether they find what is not."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Any

import pytest

from logger.audit.finding import Finding, Weight
from logger.audit.findings import digits, drift, repeats
from logger.audit.findings.digits import chi_square_tail, improbability
from logger.audit.findings.drift import leaves_limits
from logger.audit.findings.repeats import Repeats
from logger.logbook.entries import Entry, Kind
from logger.state import JobState


@pytest.mark.parametrize(
    ("statistic", "tail"), [(4.168, 0.9), (8.343, 0.5), (16.919, 0.05), (27.877, 0.001), (33.720, 1e-4)]
)
def test_the_tail_of_chi_square_is_that_of_the_tables(statistic: float, tail: float) -> None:
    assert chi_square_tail(statistic) == pytest.approx(tail, rel=2e-3)


def honest_figures(chance: Random, count: int) -> list[str]:
    return [f"{chance.uniform(1, 20):.2f}" for _ in range(count)]


@pytest.mark.parametrize("count", [20, 35, 49, 50, 80, 200])
def test_honest_last_digits_are_as_improbable_as_they_are_said_to_be(count: int) -> None:
    chance = Random(count)
    found = [improbability(honest_figures(chance, count)) for _ in range(2_000)]
    known = [each for each in found if each is not None]
    assert len(known) > 1_990
    for level in (0.1, 0.01):
        assert sum(each < level for each in known) / len(known) <= level * 1.35 + 0.001


@pytest.mark.parametrize("count", [40, 120])
def test_made_up_last_digits_are_found(count: int) -> None:
    chance = Random(1)
    favoured = "3377378273"
    texts = [text[:-1] + chance.choice(favoured) for text in honest_figures(chance, count)]
    made_up = improbability(texts)
    assert made_up is not None
    assert made_up < digits.FALSE_ALARM


def test_figures_whose_last_digits_are_not_uniform_by_nature_are_left_out() -> None:
    chance = Random(2)
    assert improbability([f"{chance.gauss(412, 2):.0f}" for _ in range(200)]) is None
    assert improbability(["230.1"] * 200) is None
    assert improbability(honest_figures(chance, digits.EXACT_FROM - 1)) is None


def figures_kept(origin: str, texts: Sequence[str]) -> dict[Any, list[tuple[int, str]]]:
    return {("0417", origin, "insulation", "MOhm 0.01"): list(enumerate(texts, 10))}


def test_digits_are_pooled_over_logbooks_and_told_where_most_of_them_are() -> None:
    chance = Random(3)
    texts = [text[:-1] + chance.choice("37") for text in honest_figures(chance, 60)]
    found = list(digits.across([figures_kept("meter", texts[:20]), {}, figures_kept("meter", texts[20:])]))
    assert [(place, each.weight) for place, each in found] == [(2, Weight.DOUBT)]
    assert "60 insulation figures" in found[0][1].sentence


def test_rounding_to_fives_by_hand_is_no_doubt() -> None:
    chance = Random(4)
    texts = [text[:-1] + chance.choice("05") for text in honest_figures(chance, 60)]
    [(_, found)] = digits.across([figures_kept("keyed", texts)])
    assert found.weight is Weight.NOTE
    [(_, of_a_meter)] = digits.across([figures_kept("meter", texts)])
    assert of_a_meter.weight is Weight.DOUBT


def checks(chance: Random, count: int, steps: float, shift: float = 0, after: int = 0) -> list[drift.Check]:
    def mean(k: int) -> float:
        centre = shift if shift and k >= after else 0.0
        return sum(round(chance.gauss(centre, steps)) for _ in range(3)) / 300

    return [(f"{k:05}", k, mean(k), 0.01) for k in range(count)]


@pytest.mark.parametrize("steps", [0.3, 1.0, 2.0, 5.0])
def test_a_sound_meter_is_seldom_said_to_drift(steps: float) -> None:
    chance = Random(round(steps * 10))
    alarms = sum(leaves_limits(checks(chance, 100, steps)) is not None for _ in range(1_200))
    assert alarms / 1_200 <= 1 / 200


def test_a_shift_is_found_and_placed() -> None:
    chance = Random(6)
    found = [leaves_limits(checks(chance, 100, 2.0, 4.0, 40)) for _ in range(100)]
    places = [each[0] for each in found if each is not None]
    assert len(places) > 90
    assert sum(place >= 40 for place in places) > 85


def test_a_drift_over_two_logbooks_is_told_of_the_later() -> None:
    chance = Random(7)
    name = ("0417", "insulation 500 V", "A", "MOhm")
    early, late = checks(chance, 60, 0.5), [(f"1{at}", k, f, s) for at, k, f, s in checks(chance, 40, 0.5, 9.0)]
    assert list(drift.across([{name: early}])) == []
    [(place, found)] = drift.across([{name: early}, {name: late}])
    assert place == 1
    assert found.weight is Weight.DOUBT
    assert "0417" in found.sentence


def reading(number: int, value: str, item: str = "C1") -> tuple[Entry, dict[str, Any]]:
    data = {
        "serial": "0417",
        "function": "insulation",
        "relation": "eq",
        "value": value,
        "unit": "MOhm",
        "item": item,
        "reasons": [],
        "accepted": True,
    }
    return Entry(number, "2027-03-01T09:00:00.000000Z", Kind.READING, "{}", b""), data


def repeats_in(values: Sequence[str], items: Sequence[str] | None = None) -> Repeats:
    look = Repeats()
    for number, value in enumerate(values, 1):
        entry, data = reading(number, value, items[number - 1] if items else "C1")
        look.take(entry, data, JobState())
    return look


def found_in(look: Repeats) -> list[Finding]:
    return list(look.finish(JobState()))


def noise(chance: Random, count: int, level: float = 87) -> list[str]:
    return [f"{chance.gauss(level, 0.3):.1f}" for _ in range(count)]


def test_a_meters_noise_does_not_repeat() -> None:
    chance = Random(8)
    assert found_in(repeats_in(noise(chance, 30_000))) == []


def test_what_stands_still_or_climbs_as_it_always_does_is_no_copy() -> None:
    climb = [f"{200 * (1 - 0.9**k):.1f}" for k in range(80)]
    assert found_in(repeats_in(["412"] * 5_000)) == []
    assert found_in(repeats_in((climb + ["0.00"] * 20) * 20)) == []


def test_a_run_that_stands_twice_is_found_at_both_items() -> None:
    chance = Random(9)
    run = noise(chance, 400)
    values = noise(chance, 2_000) + run + noise(chance, 2_000) + run + noise(chance, 500)
    items = ["C1"] * 2_400 + ["C2"] * (len(values) - 2_400)
    [found] = found_in(repeats_in(values, items))
    assert found.weight is Weight.DOUBT
    assert "C1" in found.sentence
    assert "C2" in found.sentence
    assert any(2_000 < entry <= 2_400 for entry in found.entries)
    assert any(4_400 < entry <= 4_800 for entry in found.entries)


def test_a_run_in_two_logbooks_is_found() -> None:
    chance = Random(10)
    run = noise(chance, 600)
    one, other = repeats_in(noise(chance, 3_000) + run), repeats_in(noise(chance, 1_000) + run + noise(chance, 100))
    alone = repeats_in(noise(chance, 3_000))
    kept = [look.extract().kept for look in (one, alone, other)]
    [(place, found)] = repeats.across(kept)
    assert place == 2
    assert "logbook 1" in found.sentence


def test_memory_stays_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(repeats, "RUNS_AT_MOST", 200)
    chance = Random(11)
    look = repeats_in(noise(chance, 20_000))
    runs, _ = look.extract().kept
    assert len(runs) <= 200


Result = tuple[str, str, str, float, int]


def results(values: Sequence[str], items: Sequence[str]) -> list[Result]:
    return [
        (f"{item} insulation", f"insulation eq {value} MOhm", item, repeats.NOISY_SHARE, number)
        for number, (item, value) in enumerate(zip(items, values, strict=True), 100)
    ]


def test_results_copied_from_another_job_are_found_and_alike_jobs_are_not() -> None:
    chance = Random(12)
    values, others = [noise(chance, 20, 400) for _ in range(2)]
    items, elsewhere = [f"C{k}" for k in range(20)], [f"D{k}" for k in range(20)]
    nothing: dict[bytes, int] = {}
    copied = [(nothing, results(values, items)), (nothing, results(values, elsewhere))]
    [(place, found)] = repeats.across(copied)
    assert (place, found.weight) == (1, Weight.DOUBT)
    assert "20 results in a row" in found.sentence
    assert list(repeats.across([(nothing, results(values, items)), (nothing, results(others, items))])) == []
    plain = [(f"C{k} earth", "earth eq 0.05 Ohm", f"C{k}", 1.0, k) for k in range(20)]
    assert list(repeats.across([(nothing, plain), (nothing, plain)])) == []
