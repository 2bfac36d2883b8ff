"""The guide as a table: a situation, and how its one sentence begins."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest

from tui.actions import BY_NAME
from tui.guide import RULES, advise
from tui.situation import Leads, LineState, ProofWord, Situation

SELECTED = Situation(selected="C3 insulation", leads_on="C3, line+neutral to earth", next_work="C1 Kiln, insulation")
TAKEABLE = replace(SELECTED, takeable=True)

TABLE = [
    ("nothing is chosen", Situation(next_work="C3 Workbench lights, insulation"), "Go on with C3 Workbench", "choose"),
    ("no meter named", replace(SELECTED, line=LineState.NONE), "Key in what your meter shows", "key_in"),
    (
        "a meter is tried",
        replace(SELECTED, line=LineState.WAITING, line_words="serial:X"),
        "Switch the meter on",
        "choose",
    ),
    (
        "a line is lost",
        replace(TAKEABLE, line=LineState.LOST, line_words="silent"),
        "The meter is not heard (silent)",
        "",
    ),
    (
        "a line failed",
        replace(SELECTED, line=LineState.FAILED, line_words="No port X."),
        "See to the line: it is tried again by itself.",
        "key_in",
    ),
    ("live leads", replace(TAKEABLE, live_leads=True), "Take the leads off: an outside voltage", ""),
    ("a low battery", replace(TAKEABLE, battery_low=True), "Change the meter's battery", "apart"),
    ("a fault", replace(TAKEABLE, fault="fuse"), "See to the meter: it tells of a fault (fuse)", "apart"),
    (
        "a check runs",
        replace(SELECTED, check="infinity", check_came=2),
        "Hold the leads apart and keep still: 2 of 3",
        "",
    ),
    ("a zero check", replace(SELECTED, check="zero"), "Hold the leads together and keep still: 0 of 3", ""),
    ("a caution", replace(TAKEABLE, caution="Up to 1000 V."), "Up to 1000 V.", "understood"),
    ("by eye", replace(SELECTED, judged=True), "Look at it, then say how C3 insulation is", "yes"),
    (
        "wrong voltage",
        replace(SELECTED, meter_on="250 V", wants="insulation, 500 V"),
        "Set the meter to insulation, 500 V: it is on 250 V",
        "choose",
    ),
    (
        "unproven",
        replace(SELECTED, proof=ProofWord.NEEDS_BOTH),
        "Part the leads and hold still, then check inf",
        "apart",
    ),
    ("infinity left", replace(SELECTED, proof=ProofWord.NEEDS_INFINITY), "Part the leads", "apart"),
    (
        "zero left",
        replace(SELECTED, proof=ProofWord.NEEDS_ZERO),
        "Join the leads and hold still, then check zero",
        "joined",
    ),
    (
        "lapsed",
        replace(SELECTED, proof=ProofWord.NEEDS_BOTH, lapsed="leads changed"),
        "The proof ended (leads changed). Part the leads",
        "apart",
    ),
    (
        "a function without zero",
        replace(SELECTED, proof=ProofWord.NEEDS_BOTH, proof_by="continuity"),
        "Turn the meter to continuity and prove it there",
        "apart",
    ),
    ("no reading", SELECTED, "Put the leads on C3, line+neutral to earth and start", "choose"),
    ("keyed", replace(SELECTED, keyed=True), "Measure on C3, line+neutral to earth, then key in", "key_in"),
    ("turned away", replace(SELECTED, turned_away="Let the meter choose its range."), "Let the meter choose", "choose"),
    (
        "moving",
        replace(TAKEABLE, motion="still rising"),
        "Leads on C3, line+neutral to earth; wait until it is steady: it is",
        "take",
    ),
    (
        "steady",
        replace(TAKEABLE, motion="steady"),
        "Leads on C3, line+neutral to earth; it is steady: take the reading.",
        "take",
    ),
    (
        "over range",
        TAKEABLE,
        "Leads on C3, line+neutral to earth; when it is steady, take the reading.",
        "take",
    ),
    (
        "a switch is off",
        replace(TAKEABLE, off=("S3 is off",)),
        "S3 is off: change that first, or with the leads on C3, line+neutral to earth, take the reading now",
        "device",
    ),
    ("spoiled, no remedy", replace(TAKEABLE, spoiled="link LK1 is in"), "Link LK1 is in: change that first", "alter"),
    (
        "a link spoils it",
        replace(TAKEABLE, spoiled="link LK1 is in", remedy="take link LK1 out"),
        "Take link LK1 out, then measure again.",
        "alter",
    ),
    (
        "a link, before the leads are on",
        replace(SELECTED, spoiled="link LK1 is in", remedy="take link LK1 out"),
        "Take link LK1 out.",
        "alter",
    ),
    (
        "a link, and the supply",
        replace(TAKEABLE, spoiled="link LK1 is in", remedy="take link LK1 out", supply_connected=True),
        "With the supply off and proven dead, take link LK1 out, then measure again.",
        "alter",
    ),
    (
        "the supply",
        replace(SELECTED, supply_connected=True),
        "Isolate the supply and prove it dead, then say so.",
        "alter",
    ),
    (
        "it failed because of a link",
        replace(TAKEABLE, result="fails", result_spoiled=True, spoiled="link LK1 is in", remedy="take link LK1 out"),
        "Take link LK1 out, then measure again.",
        "alter",
    ),
    (
        "the link went back in after the last result",
        replace(TAKEABLE, result="recorded", spoiled="link LK1 is in", remedy="take link LK1 out"),
        "Go on with C1 Kiln, insulation.",
        "choose",
    ),
    ("hands apart", replace(TAKEABLE, leads=Leads.APART), "Put the leads on C3, line+neutral to earth.", "hands_on"),
    ("hands elsewhere", replace(TAKEABLE, leads=Leads.ELSEWHERE), "Put the leads on C3, line+neutral", "hands_on"),
    ("hands there", replace(TAKEABLE, leads=Leads.THERE), "Take the reading.", "take"),
    (
        "hands to be parted",
        replace(SELECTED, proof=ProofWord.NEEDS_BOTH, leads=Leads.JOINED),
        "Part the leads.",
        "hands_apart",
    ),
    (
        "hands parted",
        replace(SELECTED, proof=ProofWord.NEEDS_BOTH, leads=Leads.APART),
        "The leads are apart: hold still and check infinity.",
        "apart",
    ),
    (
        "hands to be joined for the closing check",
        Situation(closing="insulation, 500 V", closing_results=2, closing_zero=True, leads=Leads.APART),
        "Join the leads for the closing check on insulation, 500 V: 2 results wait for it.",
        "hands_joined",
    ),
    (
        "hands joined for the closing check",
        Situation(closing="insulation, 500 V", closing_results=2, closing_zero=True, leads=Leads.JOINED),
        "The leads are joined: hold still and check zero, for the closing check.",
        "joined",
    ),
    (
        "hands to turn for the closing check",
        Situation(closing="insulation, 500 V", closing_results=2, closing_turn=True, leads=Leads.APART),
        "Turn the meter to insulation, 500 V for the closing check: 2 results wait for it.",
        "hands_function",
    ),
    (
        "hands at the dial",
        replace(SELECTED, meter_on="250 V", wants="insulation, 500 V", turn_voltage=True, leads=Leads.THERE),
        "Set the meter to insulation, 500 V: it is on 250 V",
        "hands_voltage",
    ),
    (
        "a walk was left",
        replace(TAKEABLE, result="meets", walk="least_work", walk_step="Set K1 to closed.", off=("K1 is open",)),
        "K1 is open. Go on: set K1 to closed.",
        "least_work",
    ),
    (
        "a hunt goes on",
        replace(TAKEABLE, result="fails", whole=True, walk="hunt", walk_step="READ at DB1."),
        "Go on: READ at DB1.",
        "hunt",
    ),
    (
        "a hunt has its reading",
        replace(TAKEABLE, result="fails", whole=True, walk="hunt"),
        "Go on: see what that reading says.",
        "hunt",
    ),
    (
        "insulation fails",
        replace(TAKEABLE, result="fails", fails_first="unplug every load"),
        "It fails: unplug every load; or note it and go on.",
        "choose",
    ),
    (
        "taken, and something missed",
        replace(TAKEABLE, result="meets", off=("S3 is off", "K1 is open", "S4 is 1")),
        "S3 is off; K1 is open and 1 more: change that and take the reading again",
        "device",
    ),
    ("it meets", replace(TAKEABLE, result="meets"), "Go on with C1 Kiln, insulation.", "choose"),
    ("it fails", replace(TAKEABLE, result="fails"), "It fails: find out why", "choose"),
    ("undecided", replace(TAKEABLE, result="undecided"), "The meter cannot tell", "choose"),
    (
        "closing check elsewhere",
        Situation(closing="insulation, 500 V", closing_results=3, closing_turn=True),
        "Turn the meter to insulation, 500 V for the closing check: 3 results wait",
        "choose",
    ),
    (
        "closing check",
        Situation(closing="insulation, 500 V", closing_results=1),
        "Part the leads for the closing check on insulation, 500 V: 1 result waits",
        "apart",
    ),
    (
        "closing check, half",
        Situation(closing="insulation, 500 V", closing_results=2, closing_zero=True),
        "Join the leads for the closing check",
        "joined",
    ),
    (
        "closing by reference",
        Situation(closing="earth loop", closing_results=1, closing_reference=True),
        "Put the leads on the reference that the meter was proven with, for the closing check on earth loop",
        "known",
    ),
    (
        "closing by reference, zero left",
        Situation(closing="earth loop", closing_results=2, closing_reference=True, closing_zero=True),
        "Join the leads for the closing check on earth loop: 2 results wait",
        "joined",
    ),
    ("put back", Situation(put_back=("link LK1",)), "Put back what was altered: link LK1", "alter"),
    ("done", Situation(), "Everything required has its result: finish", "finish"),
    ("done, not proven", Situation(proof=ProofWord.NEEDS_BOTH), "Everything required has its result", "finish"),
    ("closed", Situation(closed=True), "The logbook is closed: look", "work_list"),
    ("the disk", replace(TAKEABLE, trouble="The disk is full."), "The disk is full. What comes meanwhile", "quit"),
]


@pytest.mark.parametrize(("what", "situation", "begins", "first"), TABLE, ids=[row[0] for row in TABLE])
def test_each_situation_has_its_sentence(what: str, situation: Situation, begins: str, first: str) -> None:
    advice = advise(situation)
    assert advice.sentence.startswith(begins)
    assert advice.sentence.endswith(".")
    assert not first or advice.actions[0] == first


def test_every_offered_action_exists() -> None:
    for _, situation, _, _ in TABLE:
        assert all(name in BY_NAME for name in advise(situation).actions)


def test_cautions_come_before_everything_that_puts_a_voltage_on() -> None:
    """Whatever else is the case, a standing caution is never passed over by advice to measure or take."""
    urges: dict[str, Any] = {
        "takeable": True,
        "off": ("S3 is off",),
        "motion": "steady",
        "meter_on": "250 V",
        "spoiled": "LK1",
    }
    for size in range(len(urges) + 1):
        for names in combinations(urges, size):
            situation = replace(SELECTED, caution="Up to 1000 V.", **{name: urges[name] for name in names})
            assert advise(situation).caution, names


def test_nothing_urges_to_energise() -> None:
    """No sentence tells anybody to switch anything on but the meter."""
    for _, situation, _, _ in TABLE:
        words = advise(situation).sentence.casefold()
        assert "energise" not in words
        assert "switch" not in words or "switch the meter on" in words


def test_the_last_rule_always_has_advice() -> None:
    assert RULES[-1](Situation()) is not None
