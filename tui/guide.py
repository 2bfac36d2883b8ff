"""What to do next: one sentence for every situation, cautions first. A table of rules, walked from the top; pure.

A rule looks at the situation and either has advice or passes it on. Their order is the order of urgency: what is
wrong with the record, what could hurt, what keeps the meter from being believed, and only then the work itself.
Nobody is ever told to energise, and nothing here starts a measurement: the person's own hand does that.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from tui import guide_work as work
from tui.situation import Advice, Leads, LineState, ProofWord, Situation


def advise(situation: Situation) -> Advice:
    """The one thing to do next."""
    return next(advice for rule in RULES if (advice := rule(situation)) is not None)


def _trouble(s: Situation) -> Advice | None:
    if not s.trouble:
        return None
    return Advice(f"{s.trouble} What comes meanwhile is kept in memory and not confirmed.", ("quit",), caution=True)


def _closed(s: Situation) -> Advice | None:
    if not s.closed:
        return None
    return Advice("The logbook is closed: look at it as long as you like.", ("work_list", "log", "quit"))


def _live_leads(s: Situation) -> Advice | None:
    if not s.live_leads:
        return None
    return Advice(
        "Take the leads off: an outside voltage is on them. Isolate, prove dead, and begin again.", (), caution=True
    )


def _failed_line(s: Situation) -> Advice | None:
    if s.line is not LineState.FAILED:
        return None
    return Advice("See to the line: it is tried again by itself. Or key in what the meter shows.", ("key_in",))


def _lost_line(s: Situation) -> Advice | None:
    if s.line is not LineState.LOST:
        return None
    return Advice(f"The meter is not heard ({s.line_words}): look at plug, power and distance; it is tried again.", ())


def _waiting_line(s: Situation) -> Advice | None:
    if s.line is not LineState.WAITING or s.judged:
        return None
    return Advice(f"Switch the meter on and connect it: {s.line_words} is being tried.", ("choose",))


def _fault(s: Situation) -> Advice | None:
    if not s.fault or s.check:
        return None
    return Advice(
        f"See to the meter: it tells of a fault ({s.fault}). A check that passes clears it: part the leads.",
        ("apart", "joined"),
    )


def _battery(s: Situation) -> Advice | None:
    if not s.battery_low:
        return None
    return Advice("Change the meter's battery, then check it again: a low battery proves nothing.", ("apart", "note"))


def _checking(s: Situation) -> Advice | None:
    if not s.check:
        return None
    how = _POSTURE.get(s.check, "Hold the leads on the reference")
    return Advice(f"{how} and keep still: {s.check_came} of {s.check_wants} readings have come.", ())


_POSTURE: Final = {"infinity": "Hold the leads apart", "zero": "Hold the leads together"}


def _caution(s: Situation) -> Advice | None:
    if not s.caution:
        return None
    return Advice(s.caution, ("understood", "choose"), caution=True)


def _no_meter(s: Situation) -> Advice | None:
    if s.line is not LineState.NONE or s.judged or s.keyed or not s.selected:
        return None
    return Advice("Key in what your meter shows, or leave and open the logbook with --from and a meter.", ("key_in",))


def _judge(s: Situation) -> Advice | None:
    if not (s.selected and s.judged) or s.result:
        return None
    return Advice(f"Look at it, then say how {s.selected} is.", ("yes", "no", "skip"))


def _set_meter(s: Situation) -> Advice | None:
    if not (s.selected and s.meter_on):
        return None
    turn = "hands_voltage" if s.turn_voltage else "hands_function"
    hands = (turn,) if s.leads else ()
    return Advice(f"Set the meter to {s.wants}: it is on {s.meter_on}.", (*hands, "choose"))


def _prove(s: Situation) -> Advice | None:
    if s.proof is ProofWord.PROVEN or (s.line is LineState.NONE and not s.keyed):
        return None
    if not (s.selected or s.next_work):
        return None
    if s.proof_by:
        sentence = f"Turn the meter to {s.proof_by} and prove it there: part the leads, then join them."
        hands = ("hands_function",) if s.leads else ()
        return Advice(sentence, (*hands, "apart", "joined"), about=s.proof_by.partition(",")[0])
    why = f"The proof ended ({s.lapsed}). " if s.lapsed else ""
    if s.proof is ProofWord.NEEDS_ZERO:
        return work.posture(s, Leads.JOINED, "Join the leads and hold still, then check zero.", "check zero.", why)
    return work.posture(s, Leads.APART, "Part the leads and hold still, then check infinity.", "check infinity.", why)


RULES: Final[tuple[Callable[[Situation], Advice | None], ...]] = (
    _trouble,
    _closed,
    _live_leads,
    _failed_line,
    _lost_line,
    _battery,
    _fault,
    _checking,
    _caution,
    _waiting_line,
    _no_meter,
    _judge,
    _set_meter,
    _prove,
    work.no_selection,
    work.whose,
    work.spoiled,
    work.leads_there,
    work.not_all_of_it,
    work.after_result,
    work.turned_away,
    work.moving,
    work.take,
    work.measure,
)
"""In order of urgency; the last one always has advice."""
