"""The hunt finds planted faults in as few readings as it says, and its bounds hold the truth."""

from __future__ import annotations

import json
import math
import random
import re
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from installations import circuit, device, studio

from logger.job.bounds import Span, Sum, bounds, span_of, sums_of
from logger.job.hunt import REST, Finding, Whole, hunt
from logger.job.hunt_words import bounds_words, hunt_body, hunt_sentence
from logger.job.hunting import verdicts
from logger.job.model import DeviceKind as D
from logger.job.network import Network, build
from logger.job.reach import reach
from logger.job.setup import Alteration, SetUp, alter, apply_set, restore, set_up
from logger.quantity import Displayed, Function, Relation, Test
from logger.reading import Range

ACCURACY = Range(
    Function.INSULATION, "", "MOhm", Decimal(0), Decimal(1000), Decimal("0.01"), Decimal(3), Decimal(2), ("500",)
)
LIMIT = 1.0
CIRCUITS = 40
ONE_FAULT_AT_MOST = math.ceil(math.log2(CIRCUITS)) + 2
TWO_FAULTS_AT_MOST = 2 * ONE_FAULT_AT_MOST


def shown(true_mohm: float, rng: random.Random) -> Displayed:
    """What a meter of that accuracy shows: 3 % of reading and 2 digits, over range from 1000 MOhm."""
    for top, places in ((20, 2), (200, 1), (1000, 0)):
        step = 10.0**-places
        value = round((true_mohm + rng.uniform(-1.4, 1.4) * step) / (1 + rng.uniform(-0.029, 0.029)), places)
        if value < top:
            return Displayed(f"{max(value, 0):.{places}f}", "MOhm")
    return Displayed("1000", "MOhm", Relation.ABOVE)


def faulty_of(rng: random.Random) -> float:
    return float(10 ** rng.uniform(-3, math.log10(0.85)))


def hunted(faults: int, seed: int, always: bool) -> tuple[int, set[str], set[str]]:
    """A whole hunt by sums alone: readings, what was found, what was planted."""
    rng = random.Random(seed)
    parts = [f"C{number}" for number in range(CIRCUITS)]
    insulation = {part: 10 ** rng.uniform(2, 4) for part in parts}
    planted = set(rng.sample(parts, faults))
    insulation.update({part: faulty_of(rng) for part in planted})
    if always:
        parts.append(REST)
        insulation[REST] = 800.0
    readings: list[Sum] = []
    group: frozenset[str] | None = frozenset(parts)
    while group is not None:
        whole = 1 / math.fsum(1 / insulation[part] for part in group)
        readings.append(Sum(group, span_of(shown(whole, rng), ACCURACY)))
        said = verdicts(parts, REST if always else None, readings, LIMIT)
        assert not said.clash
        for part, span in said.spans.items():
            assert span.low * (1 - 1e-9) <= 1 / insulation[part] <= span.high * (1 + 1e-9)
        group = said.next_group
    return len(readings), set(said.faulty), planted


@pytest.mark.parametrize("always", [False, True])
def test_one_fault_among_forty(always: bool) -> None:
    for seed in range(60):
        count, found, planted = hunted(1, seed, always)
        assert found == planted
        assert count <= ONE_FAULT_AT_MOST


@pytest.mark.parametrize("always", [False, True])
def test_two_faults_among_forty(always: bool) -> None:
    for seed in range(25):
        count, found, planted = hunted(2, seed, always)
        assert found == planted
        assert count <= TWO_FAULTS_AT_MOST


@pytest.mark.slow
@pytest.mark.parametrize("faults", [0, 1, 2, 3])
def test_hunts_by_the_hundred(faults: int) -> None:
    for seed in range(150):
        count, found, planted = hunted(faults, 10_000 + seed, seed % 2 == 0)
        assert found == planted
        assert count <= max(faults, 1) * ONE_FAULT_AT_MOST


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_bounds_always_hold_the_truth(data: st.DataObject) -> None:
    parts = [f"C{number}" for number in range(data.draw(st.integers(2, 7)))]
    truth = {part: data.draw(st.floats(0, 1000)) for part in parts}
    readings = []
    for _ in range(data.draw(st.integers(1, 8))):
        group = frozenset(data.draw(st.sets(st.sampled_from(parts), min_size=1)))
        total = math.fsum(truth[part] for part in group)
        kind = data.draw(st.sampled_from(("both", "above", "below")))
        low = 0.0 if kind == "above" else total * data.draw(st.floats(0.5, 1))
        high = math.inf if kind == "below" else total * data.draw(st.floats(1, 2))
        readings.append(Sum(group, Span(low, high)))
    found = bounds(parts, sums_of(readings))
    for part in parts:
        assert found[part].low <= truth[part] * (1 + 1e-9)
        assert found[part].high >= truth[part] * (1 - 1e-9)


def test_what_a_display_says() -> None:
    assert span_of(Displayed("2.00", "MOhm"), ACCURACY) == Span(1 / 2.08, 1 / 1.92)
    assert span_of(Displayed("500", "kOhm"), ACCURACY).mohm[0] == pytest.approx(0.5 - 0.015 - 0.002)
    over = span_of(Displayed("999", "MOhm", Relation.ABOVE), ACCURACY)
    assert over.low == 0.0
    assert over.high == pytest.approx(1 / (999 * 0.97 - 1 * 2))
    assert span_of(Displayed("0.01", "MOhm", Relation.BELOW), ACCURACY).high == math.inf
    assert span_of(Displayed("inf", "MOhm")) == Span(0.0, 0.0)
    unsaid = span_of(Displayed("1.00", "MOhm"))  # 30 % where the meter does not say
    assert list(unsaid.mohm) == pytest.approx([0.69, 1.31])


# -- on a drawn installation ------------------------------------------------------------------------------------------


def shed(poles: int = 1, count: int = 12) -> Network:
    circuits = [circuit(f"C{n}", device(f"Q{n}", D.BREAKER, poles), load="lighting") for n in range(1, count + 1)]
    return build(studio(*circuits))


def conductance(network: Network, setup: SetUp, leaks: dict[str, float]) -> float:
    """The site: the leak to earth of every run that the reading reaches, microsiemens."""
    held = reach(network, setup, Test.INSULATION, "L+N/PE", "DB1").reached
    return math.fsum(leaks.get(name, 1e-4) for name in held if "/PE/" not in name)


def play(network: Network, leaks: dict[str, float]) -> tuple[Finding, int]:
    """Do what the hunt says until it is over."""
    rng = random.Random(1)
    setup = set_up(network, {"Q0": "off", "LK1": "out"})
    readings: list[Whole] = []
    while True:
        finding = hunt(network, setup, "L+N/PE", "DB1", readings, LIMIT)
        if finding.is_done:
            return finding, len(readings)
        for step in finding.next_steps:
            if step.do == "set":
                setup = apply_set(network, setup, step.fields["device"], step.fields["position"])
            elif step.do == "alter":
                setup = alter(network, setup, Alteration(step.fields["what"], step.fields["to"]))
            elif step.do == "restore":
                setup = restore(network, setup, step.fields["what"])
        span = span_of(shown(1 / conductance(network, setup, leaks), rng), ACCURACY)
        readings.append(Whole(reach(network, setup, Test.INSULATION, "L+N/PE", "DB1"), span, len(readings)))


@pytest.mark.parametrize("poles", [1, 2])
def test_names_the_circuit_with_its_bounds(poles: int) -> None:
    finding, count = play(shed(poles), {"C7/L/1": 4.0})
    assert finding.verdicts.faulty == ("C7",)
    assert count <= math.ceil(math.log2(13)) + 2
    low, high = finding.verdicts.spans["C7"].mohm
    assert low <= 0.25 <= high
    assert low > 0.2
    assert high < 0.3
    assert hunt_sentence(finding).startswith("Found below 1.00 MOhm: C7: 0.2")


def test_a_fault_on_a_neutral_is_found_behind_single_pole_breakers() -> None:
    finding, _ = play(shed(1), {"C5/N/1": 6.0})
    assert finding.verdicts.faulty == ("neutral of C5",)


def test_a_fault_on_the_bars_is_the_rest() -> None:
    finding, _ = play(shed(2), {"DB1/L/1": 6.0})
    assert finding.verdicts.faulty == (REST,)
    assert "bars" in hunt_sentence(finding)


def test_two_faults_on_one_board() -> None:
    finding, _ = play(shed(2), {"C2/L/1": 2.0, "C11/N/1": 5.0})
    assert finding.verdicts.faulty == ("C2", "C11")


def test_sound_circuits_that_are_low_only_together() -> None:
    finding, _ = play(shed(2), {f"C{n}/L/1": 0.15 for n in range(1, 13)})
    assert finding.verdicts.faulty == ()
    assert hunt_sentence(finding) == "No part is below 1.00 MOhm by itself."


def test_what_spoils_a_reading_goes_first() -> None:
    network = shed()
    finding = hunt(network, set_up(network, {}), "L+N/PE", "DB1", [], LIMIT)
    assert [step.body()["do"] for step in finding.next_steps][:2] == ["set", "alter"]
    assert finding.next_steps[1].fields == {"what": "LK1", "to": "out"}
    assert hunt_sentence(finding).startswith("First: the supply is connected")


def test_contradicting_readings_are_told() -> None:
    network = shed(2)
    setup = set_up(network, {"Q0": "off", "LK1": "out"})
    whole = reach(network, setup, Test.INSULATION, "L+N/PE", "DB1")
    readings = [Whole(whole, Span(9, 11)), Whole(whole, Span(0, 0.1))]
    finding = hunt(network, setup, "L+N/PE", "DB1", readings, LIMIT)
    assert finding.verdicts.clash
    assert "contradict" in hunt_sentence(finding)


def test_the_hunt_as_json() -> None:
    finding, _ = play(shed(2, 4), {"C3/L/1": 2.0})
    body = json.loads(json.dumps(hunt_body(finding)))
    assert body["done"] and body["found"] == ["C3"] and body["next"] == []
    entry = next(each for each in body["bounds"] if each["part"] == "C3")
    assert (entry["switch"], entry["state"]) == ("Q3", "faulty")
    assert float(entry["low"]) <= 0.5 <= float(entry["high"])


def test_bounds_in_words() -> None:
    assert bounds_words(Span(0.0, math.inf)) == "not known"
    assert bounds_words(Span(0.0, 0.2)) == "at least 5.00 MOhm"
    assert bounds_words(Span(4.0, 5.0)) == "0.200 to 0.250 MOhm"
    assert bounds_words(Span(4.0, math.inf)) == "at most 0.250 MOhm"
    assert bounds_words(Span(3.04, 0.0)) == "at most 0.329 MOhm"
    assert bounds_words(Span(0.0, 0.0)) == "no leakage at all"


@given(st.floats(0, 1e6), st.floats(0, 1e6) | st.just(math.inf))
def test_bounds_are_never_words_of_a_program(low: float, high: float) -> None:
    assert not re.search("None|inf|nan", bounds_words(Span(low, high)))
