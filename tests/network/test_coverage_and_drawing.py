"""Coverage is the union of reach; the drawing says it in signs and words; a fault behind any device is found."""

from __future__ import annotations

import random
import xml.etree.ElementTree as ET

import pytest
from installations import circuit, device, lights, random_plan, random_positions, studio

from logger.job.coverage import counts, coverage, runs_due
from logger.job.drawing import Look, because_words, covers_words, rows
from logger.job.drawing_svg import svg
from logger.job.drawing_text import columns, draw, plain
from logger.job.islands import Because
from logger.job.model import Board
from logger.job.model import DeviceKind as D
from logger.job.network import Network, build
from logger.job.reach import reach
from logger.job.reach_model import Reach
from logger.job.setup import Alteration, SetUp, alter, apply_set, restore, set_up
from logger.job.steps import least_steps
from logger.quantity import Test

KILN = circuit("C2", device("Q2", D.BREAKER), device("K2", D.CONTACTOR, 2), load="heating", name="Kiln")
NETWORK = build(studio(KILN, lights(), boards=(Board("DB2", name="Kiln shed", main_switch="Q9", feed="DB1"),)))
RIGHT = set_up(NETWORK, {"Q0": "off", "LK1": "out"})


def asked(setup: SetUp, between: str = "L+N/PE", at: str = "DB1") -> Reach:
    return reach(NETWORK, setup, Test.INSULATION, between, at)


# -- coverage ---------------------------------------------------------------------------------------------------------


def test_coverage_is_the_union_and_names_the_gaps() -> None:
    first = asked(RIGHT)
    second = asked(apply_set(NETWORK, RIGHT, "S3", "2"))
    found = coverage(NETWORK, Test.INSULATION, [(11, first), (12, second)])
    assert set(found.by) == set(first.reached) | set(second.reached)
    assert found.by["C3/L/1"] == (11, 12)
    assert found.by["C3/S2/2"] == (12,)
    assert {each.segment for each in found.gaps} == {"DB1/L/0", "DB1/N/0", "C2/L/2", "C2/N/2"}
    assert next(g for g in found.gaps if g.segment == "C2/L/2").because == (Because("K2", "open"),)
    assert found.share_count == round(len(found.by) / len(found.due), 6)


def test_insulation_between_live_conductors_covers_nothing_to_earth() -> None:
    found = coverage(NETWORK, Test.INSULATION, [(11, asked(RIGHT, "L/N"))])
    assert found.by == {}
    assert not counts(asked(RIGHT, "L/N"))
    assert counts(asked(RIGHT, "N/PE"))


def test_results_of_other_tests_do_not_count() -> None:
    continuity = reach(NETWORK, RIGHT, Test.EARTH_CONTINUITY, "PE", "C3")
    assert coverage(NETWORK, Test.INSULATION, [(11, continuity)]).by == {}
    found = coverage(NETWORK, Test.EARTH_CONTINUITY, [(11, continuity)], ["C3"])
    assert (found.gaps, found.share_count, found.share_length) == ((), 1.0, 1.0)


def test_what_a_test_is_about() -> None:
    assert {s.conductor for s in runs_due(NETWORK, Test.EARTH_CONTINUITY)} == {"PE"}
    assert "E1/PE/0" in {s.id for s in runs_due(NETWORK, Test.EARTH_CONTINUITY)}
    assert {s.conductor for s in runs_due(NETWORK, Test.LINE_LOOP, ["C3"])} == {"L", "S1", "S2", "N"}
    assert runs_due(NETWORK, Test.VISUAL) == []
    assert runs_due(NETWORK, Test.RING_CONTINUITY) == []


# -- planted faults ---------------------------------------------------------------------------------------------------


def finds(network: Network, setup: SetUp, fault: str) -> bool:
    """Whether following the proposed steps gives a reading whose leads the fault lies between."""
    selected: dict[str, str] = {}
    for step in least_steps(network, setup, Test.INSULATION).steps:
        fields = dict(step.fields)
        if step.do == "set":
            setup = apply_set(network, setup, fields["device"], fields["position"])
        elif step.do == "alter":
            setup = alter(network, setup, Alteration(fields["what"], fields["to"]))
        elif step.do == "restore":
            setup = restore(network, setup, fields["what"])
        elif step.do == "select":
            selected = fields
        elif fault in reach(network, setup, Test.INSULATION, selected["between"], selected["item"]).plus:
            return True
    return False


def test_a_fault_planted_anywhere_is_found_by_the_proposed_steps() -> None:
    rng = random.Random(41)
    for _ in range(25):
        plan = random_plan(rng, most_boards=3, most_circuits=4)
        network = build(plan)
        setup = set_up(network, random_positions(rng, plan))
        live = [name for name in network.segments if "/PE/" not in name]
        for fault in rng.sample(live, min(6, len(live))):
            assert finds(network, setup, fault)


# -- drawing ----------------------------------------------------------------------------------------------------------


def test_the_drawing_says_what_is_reached_and_why_not() -> None:
    setup = alter(NETWORK, set_up(NETWORK, {"Q0": "off"}), Alteration("lamps of C3", "out"))
    text = plain(draw(NETWORK, setup, asked(setup), 100))
    assert text[:8] == [
        "supply on",
        "DB1 ═┄ Q0 off○ ══ LK1 in×  not L+N: behind Q0, which is off",
        "  C2 Kiln ══ Q2 on ══ K2 open○ ═┄ heating  not L+N: behind K2, which is open",
        "  C3 ══ Q3 on ══ S3 1○ 1═2┄ S4 straight 1═2┄ S5 1○ ══ lighting out!  not S2: S3 is 1, S5 is 1",
        "  E1 ──",
        "  DB2 Kiln shed ══ Q9 on ══  reached",
        "× the neutral-earth link LK1 is in and joins neutral to earth; reads like 0.00 MOhm, a dead short,",
        "  though the wiring may be sound",
    ]
    assert "! lamps of C3 is out: put the lamps of C3 in again" in text
    assert "altered" in text[-1]


def test_without_a_test_nothing_claims_to_be_reached() -> None:
    looks = {part.look for line in draw(NETWORK, RIGHT) for part in line}
    assert not looks & {Look.REACHED, Look.UNREACHED, Look.PARTLY, Look.SPOILED}
    assert "reached" not in " ".join(plain(draw(NETWORK, RIGHT)))


@pytest.mark.parametrize("width", [1, 40, 61, 80, 200])
def test_no_line_is_wider_than_asked(width: int) -> None:
    rng = random.Random(width)
    for _ in range(20):
        plan = random_plan(rng)
        network = build(plan)
        setup = set_up(network, random_positions(rng, plan))
        found = reach(network, setup, Test.INSULATION)
        lines = plain(draw(network, setup, found, width))
        assert max(columns(line) for line in lines) <= max(width, 40)
        words = " ".join(" ".join(line.split()) for line in lines)
        for each in plan.circuits:
            assert each.id in words


def test_wide_characters_are_counted_as_a_terminal_does() -> None:
    assert columns("窯 kiln") == 7
    network = build(studio(circuit("C1", device("Q1", D.BREAKER), name="窯" * 60)))
    assert all(columns(line) <= 44 for line in plain(draw(network, set_up(network, {}), None, 44)))


def test_foreign_text_in_a_plan_draws_harmlessly() -> None:
    network = build(studio(circuit("C\x1b[31m1", device("Q<1>", D.BREAKER), name='"><script>[/]\u202e')))
    setup = set_up(network, {})
    found = reach(network, setup, Test.INSULATION)
    text = "\n".join(plain(draw(network, setup, found)))
    assert "\x1b" not in text
    assert "\u202e" not in text
    picture = svg(network, setup, found)
    assert "<script" not in picture
    ET.fromstring(picture)


def test_the_picture_is_the_same_every_time_and_well_formed() -> None:
    setup = alter(NETWORK, set_up(NETWORK, {"Q0": "off"}), Alteration("LK1", "out"))
    found = asked(setup, "L/N")
    picture = svg(NETWORK, setup, found)
    assert picture == svg(NETWORK, setup, found)
    root = ET.fromstring(picture)
    space = {"s": "http://www.w3.org/2000/svg"}
    texts = [text.text or "" for text in root.findall(".//s:text", space)]
    assert "K2 open ○" in texts
    assert "LK1 out !" in texts
    assert any(text.startswith("× the lamps of C3 are in") for text in texts)
    runs = [line.find("s:title", space) for line in root.findall(".//s:line", space)]
    assert {run.text for run in runs if run is not None} >= {"reached", "not reached"}


def test_words_for_one_line() -> None:
    found = asked(apply_set(NETWORK, RIGHT, "K2", "closed"))
    assert covers_words(NETWORK, found) == (
        f"{len(found.reached)} of {len(found.reached) + 4} runs · not DB1 behind Q0, which is off"
        " · not C3: S3 is 1, S5 is 1"
    )
    assert because_words(()) == "nothing joins it"


def test_rows_name_every_item_once() -> None:
    names = [row.name.split()[0] for row in rows(NETWORK, RIGHT) if row.name]
    assert names == ["DB1", "C2", "C3", "E1", "DB2"]
