"""The guide's rules for the work: what must be changed first, where the leads belong, when to take, what is next.

Each looks at the situation and has advice or passes it on; `tui.guide` walks them in their order.
"""

from __future__ import annotations

from typing import Final

from logger.job.wiring import SUPPLY
from tui.motion import Motion
from tui.situation import Advice, Leads, Situation

DEVICES_NAMED: Final = 2
"""How many devices a sentence names before it counts the rest."""

METERS_NAMED: Final = 3
"""How many meters a sentence names."""

_MOVED_BY: Final = {Leads.APART: "hands_apart", Leads.JOINED: "hands_joined"}
_CHECKED_BY: Final = {Leads.APART: ("apart", "joined"), Leads.JOINED: ("joined", "apart")}
_ASKED: Final = {Leads.APART: "Part the leads", Leads.JOINED: "Join the leads"}


def posture(s: Situation, wanted: Leads, both: str, check: str, why: str = "", reason: str = "") -> Advice:
    """A self-check: where the leads are known, one thing at a time; else `both` in one sentence.

    Args:
        check: what is done once the leads are as `wanted`, the end of a sentence with its stop.
        why, reason: what goes before it; what the leads are moved for, the end of a sentence.
    """
    actions = _CHECKED_BY[wanted]
    if not s.leads:
        return Advice(f"{why}{both}", actions)
    if s.leads is wanted:
        return Advice(f"{why}The leads are {wanted}: hold still and {check}", actions)
    return Advice(f"{why}{_ASKED[wanted]}{reason}.", (_MOVED_BY[wanted], *actions))


def no_selection(s: Situation) -> Advice | None:
    """Nothing is chosen: the walk goes on, or the work list does."""
    if s.selected:
        return None
    return _walk_on(s) or _onward(s)


def whose(s: Situation) -> Advice | None:
    """Several meters measure what is selected."""
    if len(s.contenders) < 2 or s.result:
        return None
    named = ", ".join(s.contenders[:METERS_NAMED])
    return Advice(f"Say which meter is on it: {named} all measure it.", ("which_meter", "choose"))


def spoiled(s: Situation) -> Advice | None:
    """What would falsify the reading, or has: what to do about it first. The supply is seen to before any link."""
    if s.judged or (s.result and (s.result == "meets" or not s.result_spoiled)):
        return None
    again = ", then measure again" if s.takeable or s.result else ""
    took = ("take",) if s.takeable and not s.result else ("choose", "note") if s.result else ("choose",)
    if s.remedy and s.supply_connected:
        sentence = f"With the supply off and proven dead, {s.remedy}{again}."
        return Advice(sentence, ("alter", "device", *took), about=s.target)
    if s.remedy:
        return Advice(f"{_begun(s.remedy)}{again}.", ("alter", "device", *took), about=s.target)
    if s.supply_connected:
        then = "measure again" if s.result else "say so"
        sentence = f"Isolate the supply and prove it dead, then {then}."
        return Advice(sentence, ("alter", "device", *took), about=SUPPLY)
    if not s.spoiled or not s.takeable:
        return None
    return Advice(f"{_begun(s.spoiled)}: change that first, or say that it is otherwise.", ("alter", "device", *took))


def leads_there(s: Situation) -> Advice | None:
    """Simulated hands hold the leads elsewhere: what the meter reads is not what is selected."""
    if s.leads in {Leads.UNKNOWN, Leads.THERE} or s.judged or s.keyed or s.result:
        return None
    return Advice(f"Put the leads on {s.leads_on}.", ("hands_on", "choose", "skip"))


def not_all_of_it(s: Situation) -> Advice | None:
    """A switch keeps the test off a part. Within a walk that is meant so."""
    if not s.off or s.walk_reading or not (s.takeable or s.result == "meets"):
        return None
    which = "; ".join(s.off[:DEVICES_NAMED])
    more = f" and {len(s.off) - DEVICES_NAMED} more" if len(s.off) > DEVICES_NAMED else ""
    if s.result:
        walk = _walk_on(s)
        if walk is not None:
            return Advice(f"{which}{more}. {walk.sentence}", (*walk.actions[:1], "device", "note"), about=s.off_device)
        change = "turn one over" if s.changeover else "change that"
        return Advice(
            f"{which}{more}: {change} and take the reading again, or go on without that part.",
            ("device", "take", "choose"),
            about=s.off_device,
        )
    if s.changeover:
        return None  # one way after the other: this one first
    now = "take the reading now" if s.leads else f"with the leads on {s.leads_on}, take the reading now"
    return Advice(
        f"{which}{more}: change that first, or {now} and test that part again.",
        ("device", "take", "choose"),
        about=s.off_device,
    )


def after_result(s: Situation) -> Advice | None:
    """The result is in: find the fault, go on with the walk, or with the work list."""
    if not s.result:
        return None
    if s.result == "fails" and s.whole and s.walk != "hunt":
        return Advice("The whole fails: find which circuit it is.", ("hunt", "note", "take"))
    walk = _walk_on(s)
    if walk is not None:
        return walk
    if s.result == "fails":
        first = s.fails_first or "find out why and take it again"
        switch = ("device",) if s.others_device else ()
        sentence = f"It fails: {first}; or note it and go on."
        return Advice(sentence, (*switch, "choose", "note", "take"), about=s.others_device)
    if s.result == "undecided":
        return Advice("The meter cannot tell: use one that can, or go on.", ("choose", "note", "take"))
    return _onward(s)


def _walk_on(s: Situation) -> Advice | None:
    """The next step of the walk, by its own words."""
    if not s.walk:
        return None
    step = s.walk_step or "see what that reading says."
    return Advice(f"Go on: {step[:1].lower()}{step[1:]}" if step[1:2].islower() else f"Go on: {step}", (s.walk, "note"))


def _onward(s: Situation) -> Advice:
    """What the job needs once nothing is under the leads."""
    if s.next_work:
        return Advice(f"Go on with {s.next_work}.", ("choose", "work_list"))
    if s.closing:
        return _closing_check(s)
    if s.put_back:
        return Advice(f"Put back what was altered: {s.put_back[0]}.", ("alter",), about=s.put_back_first)
    return Advice("Everything required has its result: finish when you are ready.", ("finish", "note"))


def _closing_check(s: Situation) -> Advice:
    wait = "1 result waits" if s.closing_results == 1 else f"{s.closing_results} results wait"
    for_it = f" for the closing check on {s.closing}: {wait} for it"
    if s.closing_turn:
        turn = ("hands_function",) if s.leads else ()
        return Advice(
            f"Turn the meter to {s.closing} for the closing check: {wait} for it.",
            (*turn, "choose"),
            about=s.closing_by,
        )
    if s.closing_zero:
        advice = posture(s, Leads.JOINED, f"Join the leads{for_it}.", "check zero, for the closing check.", "", for_it)
        return Advice(advice.sentence, (*advice.actions[:-1], "known")) if s.closing_reference else advice
    if s.closing_reference:
        how = "Put the leads on the reference that the meter was proven with"
        return Advice(f"{how}, for the closing check on {s.closing}: {wait} for it.", ("known", "joined"))
    return posture(s, Leads.APART, f"Part the leads{for_it}.", "check infinity, for the closing check.", "", for_it)


def turned_away(s: Situation) -> Advice | None:
    """The newest reading does not count, for a reason that no other rule sees to."""
    if not s.turned_away:
        return None
    return Advice(s.turned_away, ("choose",))


def moving(s: Situation) -> Advice | None:
    """The figure moves still."""
    if not s.takeable or s.motion not in {Motion.RISING, Motion.FALLING, Motion.MOVING}:
        return None
    if s.leads:
        return Advice(f"Wait until it is steady: it is {s.motion}.", ("take", "choose"))
    return Advice(f"Leads on {s.leads_on}; wait until it is steady: it is {s.motion}.", ("take", "choose"))


def take(s: Situation) -> Advice | None:
    """Take it; nobody knows of a real meter's leads where they are, so that is said with it."""
    if not s.takeable:
        return None
    actions = ("take", "choose", "skip")
    if s.leads:
        return Advice("Take the reading.", actions)
    when = "it is steady:" if s.motion == Motion.STEADY else "when it is steady,"
    return Advice(f"Leads on {s.leads_on}; {when} take the reading.", actions)


def measure(s: Situation) -> Advice | None:
    """Nothing to take yet."""
    if s.keyed:
        return Advice(f"Measure on {s.leads_on}, then key in what the meter shows.", ("key_in", "choose", "skip"))
    if s.leads:
        return Advice("Start the meter's measurement.", ("choose", "skip"))
    return Advice(f"Put the leads on {s.leads_on} and start the meter's measurement.", ("choose", "skip"))


def _begun(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}"
