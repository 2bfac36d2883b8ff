"""The set-up: positions, alterations in the operator's words, what they mean, and what must be put back."""

from __future__ import annotations

import random

import pytest
from installations import circuit, device, lights, random_plan, studio

from logger.errors import InputWrong, PlanWrong
from logger.job.alterations import AlterationKind as K
from logger.job.alterations import meaning_of
from logger.job.model import Board, Plan
from logger.job.model import DeviceKind as D
from logger.job.network import build
from logger.job.reach import reach
from logger.job.setup import (
    ALTERATIONS_AT_MOST,
    Alteration,
    SetUp,
    alter,
    apply_set,
    restore,
    set_up,
    standing,
    starting,
    to_put_back,
)
from logger.job.wiring import wiring_faults, wiring_notes
from logger.quantity import Test


def workshop() -> Plan:
    kiln = circuit("C2", device("Q2", D.BREAKER), device("K2", D.CONTACTOR, 2), load="heating", surge=True)
    return studio(kiln, lights(), boards=(Board("DB2", main_switch="Q9", feed="DB1"),))


NETWORK = build(workshop())


def test_everything_starts_where_the_contract_says() -> None:
    assert starting(NETWORK).positions == {
        "supply": "on",
        "Q0": "on",
        "LK1": "in",
        "Q9": "on",
        "Q2": "on",
        "K2": "open",
        "Q3": "on",
        "S3": "1",
        "S4": "straight",
        "S5": "1",
    }


def test_set_refuses_with_what_is_possible() -> None:
    start = starting(NETWORK)
    assert apply_set(NETWORK, start, "S3", "2").positions["S3"] == "2"
    assert apply_set(NETWORK, start, "supply", "off").positions["supply"] == "off"
    with pytest.raises(InputWrong, match=r"S3 cannot be 'off': it can be 1 or 2\."):
        apply_set(NETWORK, start, "S3", "off")
    with pytest.raises(InputWrong, match=r"no device 'S33' to set: these can be set: supply, Q0, LK1"):
        apply_set(NETWORK, start, "S33", "1")
    held = alter(NETWORK, start, Alteration("LK1", "out"))
    with pytest.raises(InputWrong, match="LK1 is out as an alteration: say restore"):
        apply_set(NETWORK, held, "LK1", "in")


@pytest.mark.parametrize(
    ("what", "to", "kind", "target"),
    [
        ("LK1", "out", K.LINK_OUT, "LK1"),
        ("LK1", "removed", K.LINK_OUT, "LK1"),
        ("neutral-earth link", "out", K.LINK_OUT, "LK1"),
        ("neutral to earth link of DB1", "taken out", K.LINK_OUT, "LK1"),
        ("N-PE link", "out", K.LINK_OUT, "LK1"),
        ("supply", "off", K.SUPPLY_OFF, "supply"),
        ("mains", "disconnected", K.SUPPLY_OFF, "supply"),
        ("Q3", "off", K.DEVICE_HELD, "Q3"),
        ("breaker Q3", "open", K.DEVICE_HELD, "Q3"),
        ("L+N at DB1", "joined", K.BRIDGE_IN, "DB1"),
        ("bridge L-N", "in", K.BRIDGE_IN, "DB1"),
        ("R1+R2 link C3", "in", K.CONDUCTORS_JOINED, "C3"),
        ("L+PE at C3", "joined", K.CONDUCTORS_JOINED, "C3"),
        ("L+N at DB1", "missing", K.BRIDGE_MISSING, "DB1"),
        ("load of C2", "unplugged", K.LOAD_UNPLUGGED, "C2"),
        ("kiln C2", "unplugged", K.LOAD_UNPLUGGED, "C2"),
        ("lamps of C3", "out", K.LAMP_OUT, "C3"),
        ("C3 lamp", "removed", K.LAMP_OUT, "C3"),
        ("surge device of C2", "out", K.SURGE_OUT, "C2"),
        ("C3/N/0", "disconnected", K.CONDUCTOR_OFF, "C3/N/0"),
        ("C3/N", "off the bar", K.CONDUCTOR_OFF, "C3/N/0"),
        ("neutral of C3", "disconnected", K.CONDUCTOR_OFF, "C3/N/0"),
        ("E1", "disconnected", K.CONDUCTOR_OFF, "E1/PE/0"),
        ("the cover of the board", "open", K.OTHER, ""),
        ("L9+Q", "joined", K.OTHER, ""),
    ],
)
def test_words_are_understood(what: str, to: str, kind: K, target: str) -> None:
    found = meaning_of(NETWORK, what, to)
    assert (found.kind, found.target) == (kind, target)


def test_what_an_alteration_does() -> None:
    setup = starting(NETWORK)
    for what, to in (("LK1", "out"), ("L+N at DB1", "joined"), ("lamps of C3", "out"), ("E1", "disconnected")):
        setup = alter(NETWORK, setup, Alteration(what, to))
    stand = standing(NETWORK, setup)
    assert stand.positions["LK1"] == "out"
    assert stand.bridges[0].segments == ("DB1/L/1", "DB1/N/1")
    assert stand.unplugged == {"C3"}
    assert set(stand.off) == {"E1/PE/0"}


def test_what_must_be_put_back_and_how() -> None:
    setup = alter(NETWORK, starting(NETWORK), Alteration("LK1", "out", "insulation test", "2026-11-24T09:02:00Z", "A."))
    setup = alter(NETWORK, setup, Alteration("the cover of DB1", "open"))
    first, second = to_put_back(NETWORK, setup)
    assert (first.what, first.now, first.since, first.who, first.why) == (
        "LK1",
        "out",
        "2026-11-24T09:02:00Z",
        "A.",
        "insulation test",
    )
    assert first.by == "put link LK1 back in"
    assert second.by == "put the cover of DB1 back as it was"
    setup = restore(NETWORK, restore(NETWORK, setup, "LK1"), "the cover of DB1")
    assert to_put_back(NETWORK, setup) == ()
    assert standing(NETWORK, setup).positions["LK1"] == "in"


def test_a_link_that_was_set_out_must_be_put_back_too() -> None:
    setup = apply_set(NETWORK, starting(NETWORK), "LK1", "out")
    assert [each.what for each in to_put_back(NETWORK, setup)] == ["LK1"]
    assert to_put_back(NETWORK, restore(NETWORK, setup, "LK1")) == ()


def test_restore_refuses_what_is_not_altered() -> None:
    setup = alter(NETWORK, starting(NETWORK), Alteration("L+N at DB1", "joined"))
    with pytest.raises(InputWrong, match=r"'LK1' is not altered: these are: L\+N at DB1"):
        restore(NETWORK, setup, "LK1")


def test_alter_refuses_what_cannot_be() -> None:
    start = starting(NETWORK)
    with pytest.raises(InputWrong, match=r"Q3 cannot be 'sideways': it can be on or off\."):
        alter(NETWORK, start, Alteration("Q3", "sideways"))
    with pytest.raises(InputWrong, match="needs a what and a to"):
        alter(NETWORK, start, Alteration("LK1", " "))
    full = start
    for number in range(ALTERATIONS_AT_MOST):
        full = alter(NETWORK, full, Alteration(f"tag {number}", "on"))
    with pytest.raises(InputWrong, match="200 alterations are open"):
        alter(NETWORK, full, Alteration("one more", "on"))
    assert len(alter(NETWORK, full, Alteration("tag 3", "off")).alterations) == ALTERATIONS_AT_MOST


def test_a_log_with_strange_devices_still_has_a_set_up() -> None:
    found = set_up(NETWORK, {"S3": "2", "gone": "on", "Q3": "sideways"})
    assert found.positions["S3"] == "2"
    assert found.positions["Q3"] == "on"
    assert "gone" not in found.positions
    assert standing(NETWORK, SetUp()).positions == starting(NETWORK).positions


# -- wiring -----------------------------------------------------------------------------------------------------------


def faults(*parts: tuple[str, D], poles: int = 1, phase: str = "L") -> list[str]:
    devices = [device(name, kind, poles) for name, kind in parts]
    plan = studio(circuit("C1", *devices, phase=phase), phases=1 if phase == "L" else 3)
    return [str(fault) for fault in wiring_faults(plan)]


def test_an_intermediate_outside_a_pair_is_refused_with_its_place() -> None:
    assert faults(("Q1", D.BREAKER), ("X1", D.INTERMEDIATE)) == [
        "circuit C1: path: intermediate X1 must stand between two two-way switches"
    ]


def test_what_cannot_stand_between_a_pair() -> None:
    assert faults(("A", D.TWO_WAY), ("Q1", D.BREAKER), ("B", D.TWO_WAY)) == [
        "circuit C1: path: Q1 cannot stand between the two-way switches A and B: put it outside"
    ]
    assert faults(("A", D.TWO_WAY), ("J", D.JOINT), ("X", D.INTERMEDIATE), ("B", D.TWO_WAY)) == []


def test_two_way_switches_have_no_place_on_three_phases() -> None:
    assert "two-way switches cannot stand in a three-phase circuit" in str(
        faults(("A", D.TWO_WAY), ("B", D.TWO_WAY), phase="L1L2L3")
    )


def test_more_poles_than_conductors() -> None:
    assert faults(("Q1", D.BREAKER), poles=3) == ["circuit C1: path: Q1 has 3 poles, the circuit only 2 conductors"]


def test_no_device_can_be_called_like_the_supply() -> None:
    (fault,) = wiring_faults(studio(circuit("C1", device("Supply", D.BREAKER))))
    assert "supply itself" in str(fault)


def test_strange_ids_are_drawn_all_the_same() -> None:
    hostile = ("[/]", "[@click=app.bell]x[/]", "C1", "C1/L", "x" * 240)
    network = build(studio(*(circuit(name, device(f"{name}Q/1", D.BREAKER)) for name in hostile)))
    for name in hostile:
        assert [s.id for s in network.of_item(name) if s.conductor == "L"] == [f"{name}/L/0", f"{name}/L/1"]
        assert meaning_of(network, f"load of {name}", "unplugged").target == name
        joined = alter(network, starting(network), Alteration(f"L+PE at {name}", "joined"))
        found = reach(network, joined, Test.EARTH_CONTINUITY, "L/PE", name)
        assert set(found.reached) == {s.id for s in network.of_item(name) if s.conductor != "N"}


def test_every_fault_in_one_go_and_none_is_drawn() -> None:
    plan = studio(circuit("C/1", device("X1", D.INTERMEDIATE)), circuit("C2", device("X2", D.INTERMEDIATE, 3)))
    with pytest.raises(PlanWrong) as refused:
        build(plan)
    assert len(refused.value.faults) == 3


def test_a_lone_two_way_is_a_switch_with_one_way_wired() -> None:
    plan = studio(circuit("C1", device("S1", D.TWO_WAY)))
    assert wiring_faults(plan) == ()
    assert "S1 has no partner" in wiring_notes(plan)[0]
    assert list(build(plan).of_item("C1")) == [s for s in build(plan).segments.values() if s.item == "C1"]
    assert "C1/L/1" in build(plan).segments


def test_random_plans_are_wired() -> None:
    rng = random.Random(8)
    for _ in range(200):
        plan = random_plan(rng)
        assert wiring_faults(plan) == ()
        segments = build(plan).segments
        assert len(segments) == sum(1 for _ in segments)
