"""MEANS: what the figure says against the rule in force; or why it says nothing, and the way out."""

from __future__ import annotations

from typing import Final

from logger.clock import NS_PER_S
from logger.job.model import Decision
from logger.quantity import UNITS
from logger.recorder.results import judgement_on
from logger.recorder.steps import TAKE_WITHIN_S
from logger.rules.limit import Limit
from logger.rules.verdict import Judgement, Verdict
from logger.text import harmless
from tui.facts import Facts
from tui.guide import LineState
from tui.present import VERDICT_SIGN, WAY_OUT, not_counting, test_words
from tui.sentence.we_see import counts_now
from tui.view import Line, Lines, Tone, Weight, Words, faint, plain, strong

VERDICT_TONE: Final = {
    Verdict.MEETS: Tone.GOOD,
    Verdict.FAILS: Tone.BAD,
    Verdict.UNDECIDED: Tone.WARN,
    Verdict.RECORDED: Tone.CALM,
}

SOURCE_CHARACTERS: Final = 120
"""Longest source of a rule shown, characters: two lines; the log has it whole."""


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
        return does_not_count(seen.reasons, seen.function, seen.voltage)
    if selection is None or facts.candidate is None or seen.selection != selection.entry:
        return (strong("nothing: it was measured before this was chosen"),)
    if facts.line is LineState.LOST:
        return (strong("does not count any more: the meter is not heard", Tone.WARN),)
    age_s = (facts.now_ns - facts.candidate.measured_ns) / NS_PER_S
    if age_s > TAKE_WITHIN_S:
        return (strong(f"too old to take: {age_s:.0f} s", Tone.WARN), plain("measure again"))
    return judged_lines(
        judgement_on(facts.pack, facts.plan, selection, facts.candidate), facts.limit, facts.plan.decision
    )


def does_not_count(reasons: tuple[str, ...], function: object, voltage: str | None) -> Lines:
    """Turned away: the first reason is the one to see to; the others follow."""
    first = strong(f"does not count: {not_counting(reasons[0], function, voltage)}", Tone.BAD)
    way_out: Line = plain(WAY_OUT.get(reasons[0], ""))
    others = [not_counting(reason, function, voltage) for reason in reasons[1:]]
    if others:
        way_out = (*way_out, Words(f" (also: {'; '.join(others)})", Weight.FAINT))
    return (first, way_out)


def judged_lines(judgement: Judgement, limit: Limit | None, decision: Decision) -> Lines:
    """The verdict with what is asked, and where that stands."""
    verdict = judgement.verdict
    rest = harmless(judgement.sentence).removeprefix(str(verdict))
    asked = f" {_asked(limit)}" if limit is not None and limit.judged and limit.edges else ""
    guarded = ", guarded" if decision is Decision.GUARDED else ""
    head: Line = (
        Words(str(verdict), Weight.STRONG, VERDICT_TONE[verdict]),
        Words(f"{asked}{rest}"),
        Words(f" {VERDICT_SIGN[verdict]}", Weight.STRONG, VERDICT_TONE[verdict]),
    )
    if not judgement.source:
        return (head,)
    return (head, faint(f"{harmless(judgement.source, SOURCE_CHARACTERS)}{guarded}: check your edition"))


def _asked(limit: Limit) -> str:
    return limit.words.replace(limit.unit, UNITS[limit.unit].sign)
