"""MEANS: what the figure says against the rule in force; or why it says nothing, and the way out."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from logger.clock import NS_PER_S
from logger.job.model import Decision
from logger.quantity import UNITS
from logger.recorder.intake import Candidate
from logger.recorder.results import at_the_leads, judgement_on
from logger.recorder.steps import TAKE_WITHIN_S
from logger.rules.limit import Limit
from logger.rules.verdict import Judgement, Verdict
from logger.screening import Reason
from logger.text import harmless
from tui.facts import Facts
from tui.fit import BODY_COLUMNS
from tui.present import VERDICT_SIGN, WAY_OUT, not_counting, test_words
from tui.sentence.on_test import meter_is_on
from tui.sentence.we_see import counts_now
from tui.situation import LineState
from tui.view import Line, Lines, Tone, Weight, Words, faint, plain, strong

VERDICT_TONE: Final = {
    Verdict.MEETS: Tone.GOOD,
    Verdict.FAILS: Tone.BAD,
    Verdict.UNDECIDED: Tone.WARN,
    Verdict.RECORDED: Tone.CALM,
}

DIAL: Final = frozenset({Reason.WRONG_FUNCTION, Reason.WRONG_UNIT, Reason.WRONG_VOLTAGE})
"""Reasons that a turn of the meter's dial takes away."""

BEFORE_THE_DIAL: Final = frozenset({Reason.DAMAGED, Reason.LIVE_LEADS, Reason.METER_FAULT, Reason.BATTERY_LOW})
"""Reasons that are seen to before anything else."""

CHECK_IT: Final = ": check your edition"

SOURCE_CHARACTERS: Final = BODY_COLUMNS - len(CHECK_IT)
"""Longest source of a rule shown, characters: one line with what follows it; the log has it whole."""


def means(facts: Facts) -> Lines:
    """The lines of MEANS."""
    seen, selection = facts.seen, facts.selection
    if facts.judged and selection is not None and not counts_now(facts):
        return (plain(f"you judge: {test_words(selection.test)} is in order, or not"),)
    if seen is None:
        return (plain("nothing yet"),)
    if facts.check is not None and seen.check:
        return (plain("nothing for the job: it belongs to the self-check"),)
    if not seen.accepted:
        reasons = _dial_first(seen.reasons) if meter_is_on(facts) else seen.reasons
        return does_not_count(reasons, seen.function, seen.voltage)
    if selection is None or facts.candidate is None or seen.selection != selection.entry:
        return (strong("nothing: it was measured before this was chosen"),)
    if facts.line is LineState.LOST:
        return (strong("does not count any more: the meter is not heard", Tone.WARN),)
    age_s = (facts.now_ns - facts.candidate.measured_ns) / NS_PER_S
    if age_s > TAKE_WITHIN_S:
        return (strong(f"too old to take: {age_s:.0f} s", Tone.WARN), plain("measure again"))
    judgement = judgement_on(facts.limit, facts.candidate, facts.plan.decision, facts.lead_ohm)
    return (*judged_lines(judgement, facts.limit, facts.plan.decision), *_odd(facts.candidate, facts.lead_ohm))


def _odd(candidate: Candidate, lead_ohm: Decimal | None) -> Lines:
    """What is odd about the leads, before anybody takes the reading."""
    found = at_the_leads(candidate, lead_ohm)
    if found is None:
        return ()
    said, _, remedy = harmless(found.sentence).rpartition("; ")
    return (strong(said, Tone.WARN), plain(remedy))


def _dial_first(reasons: tuple[str, ...]) -> tuple[str, ...]:
    """The reasons in the order in which they are seen to: a proof helps nothing while the dial is wrong."""
    return tuple(sorted(reasons, key=lambda reason: (reason not in BEFORE_THE_DIAL, reason not in DIAL)))


def does_not_count(reasons: tuple[str, ...], function: object, voltage: str | None) -> Lines:
    """Turned away: the first reason is the one to see to; the log tells the others."""
    first = strong(f"does not count: {not_counting(reasons[0], function, voltage)}", Tone.BAD)
    way_out: Line = plain(WAY_OUT.get(reasons[0], ""))
    if len(reasons) > 1:
        also = "one more reason" if len(reasons) == 2 else f"{len(reasons) - 1} more reasons"
        way_out = (*way_out, Words(f" (and {also})", Weight.FAINT))
    return (first, way_out)


def judged_lines(judgement: Judgement, limit: Limit | None, decision: Decision) -> Lines:
    """The verdict with what is asked, and where that stands."""
    verdict = judgement.verdict
    rest = harmless(judgement.sentence).removeprefix(str(verdict))
    asked = _asked(limit, verdict) if limit is not None and limit.judged and limit.edges else ""
    guarded = ", decided with a guard band" if decision is Decision.GUARDED else ""
    head: Line = (
        Words(str(verdict), Weight.STRONG, VERDICT_TONE[verdict]),
        Words(f"{asked}{rest}{guarded}"),
        Words(f" {VERDICT_SIGN[verdict]}", Weight.STRONG, VERDICT_TONE[verdict]),
    )
    if not judgement.source:
        return (head,)
    return (head, faint(f"{harmless(judgement.source, SOURCE_CHARACTERS)}{CHECK_IT}"))


def _asked(limit: Limit, verdict: Verdict) -> str:
    words = limit.words.replace(limit.unit, UNITS[limit.unit].sign)
    return f" {words}" if verdict is Verdict.MEETS else f" ({words} is asked)"
