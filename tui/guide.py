"""What to do next: one sentence for every situation, cautions first. A table of rules, walked from the top; pure.

A rule looks at the situation and either has advice or passes it on. Their order is the order of urgency: what is
wrong with the record, what could hurt, what keeps the meter from being believed, and only then the work itself.
Nobody is ever told to energise, and nothing here starts a measurement: the person's own hand does that.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from tui.motion import Motion
from tui.situation import Advice, LineState, ProofWord, Situation

DEVICES_NAMED: Final = 2
"""How many devices a sentence names before it counts the rest."""


METERS_NAMED: Final = 3
"""How many meters a sentence names."""


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
    return Advice(f"Set the meter to {s.wants}: it is on {s.meter_on}.", ("choose",))


def _prove(s: Situation) -> Advice | None:
    if s.proof is ProofWord.PROVEN or (s.line is LineState.NONE and not s.keyed):
        return None
    if not (s.selected or s.next_work):
        return None
    if s.proof_by:
        return Advice(
            f"Turn the meter to {s.proof_by} and prove it there: part the leads, then join them.", ("apart", "joined")
        )
    why = f"The proof ended ({s.lapsed}). " if s.lapsed else ""
    if s.proof is ProofWord.NEEDS_ZERO:
        return Advice(f"{why}Join the leads and hold still, then check zero.", ("joined", "apart"))
    return Advice(f"{why}Part the leads and hold still, then check infinity.", ("apart", "joined"))


def _no_selection(s: Situation) -> Advice | None:
    if s.selected:
        return None
    return _onward(s)


def _whose(s: Situation) -> Advice | None:
    if len(s.contenders) < 2 or s.result:
        return None
    named = ", ".join(s.contenders[:METERS_NAMED])
    return Advice(f"Say which meter is on it: {named} all measure it.", ("which_meter", "choose"))


def _spoiled(s: Situation) -> Advice | None:
    if not s.spoiled or not s.takeable or s.result:
        return None
    what = f"{s.spoiled[:1].upper()}{s.spoiled[1:]}"
    return Advice(f"{what}: change that first, or say that it is otherwise.", ("alter", "device", "take"))


def _not_all_of_it(s: Situation) -> Advice | None:
    if not s.off or s.walk or not (s.takeable or s.result == "meets"):
        return None
    which = "; ".join(s.off[:DEVICES_NAMED])
    more = f" and {len(s.off) - DEVICES_NAMED} more" if len(s.off) > DEVICES_NAMED else ""
    if s.result:
        return Advice(
            f"{which}{more}: change that and take the reading again, or go on without that part.",
            ("device", "take", "choose"),
        )
    return Advice(
        f"{which}{more}: change that first, or take the reading now and test that part again.",
        ("take", "device", "choose"),
    )


def _after_result(s: Situation) -> Advice | None:
    if not s.result:
        return None
    if s.result == "fails" and s.whole and s.walk != "hunt":
        return Advice("The whole fails: find which circuit it is.", ("hunt", "note", "take"))
    if s.walk:
        return Advice("Go on to the next step.", (s.walk, "note", "take"))
    if s.result == "fails":
        return Advice("It fails: find out why and take it again, or note it and go on.", ("choose", "note", "take"))
    if s.result == "undecided":
        return Advice("The meter cannot tell: use one that can, or go on.", ("choose", "note", "take"))
    return _onward(s)


def _onward(s: Situation) -> Advice:
    """What the job needs once nothing is under the leads."""
    if s.next_work:
        return Advice(f"Go on with {s.next_work}.", ("choose", "work_list"))
    if s.closing:
        return _closing_check(s)
    if s.put_back:
        return Advice(f"Put back what was altered: {s.put_back[0]}.", ("alter",))
    return Advice("Everything required has its result: finish when you are ready.", ("finish", "note"))


def _closing_check(s: Situation) -> Advice:
    wait = "1 result waits" if s.closing_results == 1 else f"{s.closing_results} results wait"
    if s.closing_turn:
        return Advice(f"Turn the meter to {s.closing} for the closing check: {wait} for it.", ("choose",))
    if s.closing_zero:
        other = "known" if s.closing_reference else "apart"
        return Advice(f"Join the leads for the closing check on {s.closing}: {wait} for it.", ("joined", other))
    if s.closing_reference:
        how = "Put the leads on the reference that the meter was proven with"
        return Advice(f"{how}, for the closing check on {s.closing}: {wait} for it.", ("known", "joined"))
    return Advice(f"Part the leads for the closing check on {s.closing}: {wait} for it.", ("apart", "joined"))


def _moving(s: Situation) -> Advice | None:
    if not s.takeable or s.motion not in {Motion.RISING, Motion.FALLING, Motion.MOVING}:
        return None
    return Advice(f"Wait until it is steady: it is {s.motion}.", ("take", "choose"))


def _take(s: Situation) -> Advice | None:
    if not s.takeable:
        return None
    return Advice("Take the reading.", ("take", "choose", "skip"))


def _turned_away(s: Situation) -> Advice | None:
    if not s.turned_away:
        return None
    return Advice(s.turned_away, ("choose",))


def _measure(s: Situation) -> Advice | None:
    if s.keyed:
        return Advice(f"Measure on {s.between}, then key in what the meter shows.", ("key_in", "choose", "skip"))
    return Advice(f"Put the leads on {s.between} and start the meter's measurement.", ("choose", "skip"))


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
    _no_selection,
    _whose,
    _spoiled,
    _not_all_of_it,
    _after_result,
    _turned_away,
    _moving,
    _take,
    _measure,
)
"""In order of urgency; the last one always has advice."""
