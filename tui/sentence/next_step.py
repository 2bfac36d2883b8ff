"""NEXT: the situation as the guide needs it, out of the facts; and the last answer while it is news."""

from __future__ import annotations

from typing import Final

from logger.clock import NS_PER_S
from logger.job.model import Board
from logger.proof import Point, Proof, ProofKey
from logger.quantity import Test
from logger.recorder.event import Event
from logger.recorder.steps import KEYED_LINE, TAKE_WITHIN_S
from logger.screening import Reason, functions_for
from logger.text import harmless
from tui.facts import Closing, Facts
from tui.fit import BODY_COLUMNS
from tui.guide import advise
from tui.live import Live
from tui.motion import Motion, motion
from tui.present import WAY_OUT, between_words, on_function, sentence, test_words
from tui.sentence.covers import Cover
from tui.sentence.on_test import meter_is_on
from tui.sentence.open_alterations import called, in_order
from tui.sentence.result_now import fails_first, first_switch, reach_body, standing_result
from tui.sentence.walk_now import NO_WALK, WalkNow
from tui.sentence.we_see import counts_now
from tui.situation import Advice, Leads, ProofWord, Situation
from tui.view import HandsView, Line, NextView, Tone, faint, plain, strong

TOLD_ELSEWHERE: Final = frozenset(
    {Reason.NO_SELECTION, Reason.NOT_PROVEN, Reason.PROOF_LAPSED, Reason.WRONG_FUNCTION, Reason.WRONG_VOLTAGE}
    | {Reason.LIVE_LEADS, Reason.METER_FAULT, Reason.BATTERY_LOW, Reason.REPEAT}
)
"""Reasons that the guide has a rule of its own for."""

ANSWER_CHARACTERS: Final = {"refused": 2 * BODY_COLUMNS, "ready": 2 * BODY_COLUMNS, "failed": 4 * BODY_COLUMNS}
"""Longest answer shown, characters: two lines for what was not done or is odd, else one; the log has it whole."""


def next_step(
    facts: Facts, live: Live, cover: Cover, walk: WalkNow = NO_WALK, hands: HandsView | None = None
) -> NextView:
    """The sentence, what it offers, and the last answer."""
    advice = advise(situation(facts, live, cover, walk, hands))
    text = harmless(advice.sentence, 600)
    line = strong(f"Caution: {text}", Tone.WARN) if advice.caution else strong(text)
    return NextView((line,), advice.actions, _answer(live.fresh_answer(facts.now_ns), advice), advice.about)


def situation(
    facts: Facts, live: Live, cover: Cover, walk: WalkNow = NO_WALK, hands: HandsView | None = None
) -> Situation:
    """Everything that decides what comes next. `hands`: only where the meter is simulated."""
    selection, meter, seen = facts.selection, facts.meter, facts.seen
    takeable = _takeable(facts, live)
    closing = _closing(facts)
    result = standing_result(live, cover, walk) if selection else None
    joins = [each for each in cover.spoiled if not each.supply]
    return Situation(
        closed=facts.closed,
        trouble=harmless(facts.trouble),
        line=facts.line,
        line_words=harmless(facts.line_words, 120),
        live_leads=seen is not None and _is_fresh(facts) and Reason.LIVE_LEADS in seen.reasons,
        fault=harmless(meter.fault, 80) if meter else "",
        battery_low=bool(meter and meter.battery_low),
        check=str(facts.check.point) if facts.check else "",
        check_came=facts.check.came if facts.check else 0,
        selected=f"{harmless(selection.item, 16)} {test_words(selection.test)}" if selection else "",
        caution=harmless(facts.caution, 600),
        judged=facts.judged and not takeable,
        meter_on=meter_is_on(facts),
        wants=_wants(facts),
        proof=_proof_word(facts),
        lapsed=harmless(facts.proof.lapsed or "", 60),
        proof_by=_proof_by(facts),
        turn_voltage=bool(selection and seen and seen.function in functions_for(selection.test)),
        leads_on=_leads_on(facts),
        leads=_leads(facts, hands),
        off=cover.off,
        off_device=cover.off_device,
        changeover=cover.changeover,
        spoiled=joins[0].words if joins else "",
        remedy=joins[0].remedy if joins else "",
        target=joins[0].target if joins else "",
        supply_connected=len(joins) < len(cover.spoiled),
        turned_away=_turned_away(facts),
        takeable=takeable,
        motion=motion(live.meters[seen.serial], facts.now_ns)[0] if seen else Motion.UNKNOWN,
        result=str(result["verdict"]) if result else "",
        result_spoiled=bool(result and reach_body(result).get("spoiled_by")),
        fails_first=fails_first(selection.test, cover) if selection else "",
        others_device=first_switch(facts, cover.others),
        next_work=_next_work(facts),
        closing=on_function(closing.key.function, closing.key.voltage) if closing else "",
        closing_by=str(closing.key.function) if closing else "",
        closing_results=sum(c.results for c in facts.work.closings if closing and c.key == closing.key),
        closing_turn=closing is not None and seen is not None and _key_of_seen(facts) != closing.key,
        closing_zero=closing is not None and closing.zero_left,
        closing_reference=closing is not None and closing.by_reference,
        put_back=tuple(called(facts, a.what) for a in in_order(facts)),
        put_back_first=next((a.what for a in in_order(facts)), ""),
        whole=_is_whole(facts),
        walk=walk.purpose,
        walk_step=walk.step,
        walk_reading=walk.reading,
        contenders=tuple(harmless(serial, 24) for serial in facts.contenders),
        keyed=bool(meter and meter.line.startswith(KEYED_LINE)),
    )


def _leads_on(facts: Facts) -> str:
    """`C1, line+neutral to earth`: where the leads belong."""
    selection = facts.selection
    if selection is None:
        return ""
    between = between_words(selection.between)
    return f"{harmless(selection.item, 16)}, {between}" if between else harmless(selection.item, 16)


def _leads(facts: Facts, hands: HandsView | None) -> Leads:
    """Where the leads are, which only simulated hands can say."""
    if hands is None:
        return Leads.UNKNOWN
    selection = facts.selection
    if hands.where in {"open", "short"}:
        return Leads.APART if hands.where == "open" else Leads.JOINED
    on = f"{selection.item} {selection.between}" if selection else None
    return Leads.THERE if hands.where == on else Leads.ELSEWHERE


def _is_whole(facts: Facts) -> bool:
    """The insulation of a whole board is selected: where it fails, the circuit must be found."""
    return facts.selection is not None and facts.selection.test is Test.INSULATION and isinstance(facts.item, Board)


def _is_fresh(facts: Facts) -> bool:
    return facts.seen is not None and facts.now_ns - facts.seen.arrived_ns <= TAKE_WITHIN_S * NS_PER_S


def _takeable(facts: Facts, live: Live) -> bool:
    candidate = facts.candidate
    if candidate is None or not counts_now(facts) or facts.check is not None:
        return False
    is_new = candidate.entry != live.result_taken_entry
    return is_new and facts.now_ns - candidate.measured_ns <= TAKE_WITHIN_S * NS_PER_S


def _wants(facts: Facts) -> str:
    """What the meter must be set to for the selected test."""
    if facts.selection is None or facts.key is None:
        return ""
    return on_function(facts.key.function, facts.selection.voltage if facts.key.voltage else None)


def _proof_word(facts: Facts) -> ProofWord:
    """How far the proof is that the next reading needs."""
    if facts.key is None or facts.carrier is not None or facts.proof.is_whole:
        return ProofWord.PROVEN
    if facts.must_carry and _key_of_seen(facts) == facts.prove:
        return _missing(facts.prove_proof)
    return _missing(facts.proof)


def _missing(proof: Proof) -> ProofWord:
    if Point.ZERO in proof.points:
        return ProofWord.NEEDS_INFINITY
    return ProofWord.NEEDS_ZERO if proof.points else ProofWord.NEEDS_BOTH


def _proof_by(facts: Facts) -> str:
    """The function to prove instead, while the meter is not on it."""
    if not facts.must_carry or facts.prove is None or _key_of_seen(facts) == facts.prove:
        return ""
    return on_function(facts.prove.function, facts.prove.voltage)


def _closing(facts: Facts) -> Closing | None:
    if facts.work.next_work is not None or not facts.work.closings:
        return None
    return next((c for c in facts.work.closings if c.key == facts.prove), facts.work.closings[0])


def _key_of_seen(facts: Facts) -> ProofKey | None:
    seen = facts.seen
    return ProofKey.of(seen.serial, seen.function, seen.voltage) if seen else None


def _turned_away(facts: Facts) -> str:
    seen = facts.seen
    if seen is None or seen.check or not _is_fresh(facts):
        return ""
    reason = next((reason for reason in seen.reasons if reason not in TOLD_ELSEWHERE), None)
    if reason is None:
        return ""
    way_out = WAY_OUT.get(reason, "")
    return f"{way_out[:1].upper()}{way_out[1:]}."


def _next_work(facts: Facts) -> str:
    """`C3 Workbench lights, insulation 500 V`; the selected one is not next."""
    selection = facts.selection
    here = (selection.item, selection.test) if selection else None
    work = next((w for w in facts.work.todo if (w.item, w.test) != here), None)
    if work is None:
        return ""
    return harmless(f"{work.item} {work.name}".strip(), 40) + f", {test_words(work.test)}"


def _answer(event: Event | None, advice: Advice) -> Line:
    """What became of the last thing that was asked for; a refusal is heavy."""
    if event is None:
        return ()
    at_most = ANSWER_CHARACTERS.get(event.name, BODY_COLUMNS)
    if event.name == "ready":
        return strong(harmless(" ".join(map(str, event.fields["remarks"])), at_most), Tone.WARN)
    text = harmless(sentence(event.name, event.fields).split("\n", 1)[0], at_most)
    if event.name in {"refused", "failed"}:
        return strong(text, Tone.BAD)
    if event.name == "proof" and event.fields["outcome"] != "pass":
        return strong(text, Tone.BAD)
    return plain(text) if not advice.caution else faint(text)
