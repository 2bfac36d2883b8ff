"""The newest log lines and the work list, as lines."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Final

from logger.job.work import Outcome, Work
from logger.recorder.event import Event
from logger.text import harmless
from tui.facts import Facts
from tui.live import Live, Logged
from tui.present import VERDICT_SIGN, figure, local_time, on_function, sentence, test_words, volts
from tui.view import LogLine, Tone, Weight, WorkLine

LINES_AT_MOST: Final = 40
"""Most log lines on the working screen: the tallest terminal that people use."""

TEXT_CHARACTERS: Final = 240

OUTCOME_TONE: Final = {
    Outcome.MEETS: Tone.GOOD,
    Outcome.FAILS: Tone.BAD,
    Outcome.IN_DOUBT: Tone.BAD,
    Outcome.UNDECIDED: Tone.WARN,
}


def log_lines(live: Live, utc_offset_min: int) -> tuple[LogLine, ...]:
    """The newest first."""
    several = len(live.here) > 1
    return tuple(_line(logged, utc_offset_min, several) for logged in islice(reversed(live.log), LINES_AT_MOST))


def _line(logged: Logged, utc_offset_min: int, several: bool) -> LogLine:
    event = logged.event
    time = local_time(event.at, utc_offset_min)
    if event.name == "reading":
        return _reading(event, logged.count, time, whose=several)
    text = harmless(sentence(event.name, event.fields).split("\n", 1)[0], TEXT_CHARACTERS)
    tone, weight = _STANDING.get(event.name, (Tone.CALM, Weight.PLAIN))
    if event.name == "result":
        verdict = str(event.fields["verdict"])
        tone = OUTCOME_TONE.get(Outcome(verdict), Tone.CALM)
        return LogLine(event.entry, time, text, "", VERDICT_SIGN.get(verdict, ""), tone, Weight.STRONG)
    if event.name == "proof" and event.fields["outcome"] != "pass":
        tone = Tone.BAD
    return LogLine(event.entry, time, text, tone=tone, weight=weight)


_STANDING: Final = {
    "refused": (Tone.WARN, Weight.STRONG),
    "failed": (Tone.BAD, Weight.STRONG),
    "lapsed": (Tone.WARN, Weight.STRONG),
    "lost": (Tone.BAD, Weight.STRONG),
    "disconnected": (Tone.BAD, Weight.STRONG),
    "damaged": (Tone.WARN, Weight.PLAIN),
    "proof": (Tone.GOOD, Weight.STRONG),
    "caution": (Tone.WARN, Weight.PLAIN),
    "closed": (Tone.GOOD, Weight.STRONG),
}


def _reading(event: Event, count: int, time: str, *, whose: bool) -> LogLine:
    """`whose`: several meters are here, so it must be said which one it was."""
    f = event.fields
    meter = f"{harmless(str(f['serial']), 16)} on " if whose else ""
    where = f"{harmless(str(f['item']), 16)} {test_words(f['test'])}" if f.get("item") else ""
    what = f"{where}{volts(f['voltage'])}" if where and f["accepted"] else where
    what = what or on_function(f["function"], f["voltage"])
    if f.get("check"):
        fate, tone = f"for the check of {f['check']}", Tone.CALM
    elif f["accepted"]:
        fate, tone = "counts", Tone.CALM
    else:
        fate, tone = f"turned away: {_short_reasons(f['reasons'])}", Tone.WARN
    times = f" ({count} readings)" if count > 1 else ""
    shown = figure(f["value"], f["unit"], f["relation"])
    return LogLine(event.entry, time, f"{meter}{what}: {fate}", times, shown, tone)


def _short_reasons(reasons: list[str]) -> str:
    """`not proven, wrong voltage`: the contract's own short words."""
    return ", ".join(harmless(str(reason), 24).replace("-", " ") for reason in reasons)


def work_lines(facts: Facts) -> tuple[WorkLine, ...]:
    """The work list: each item's heading, then its tests with their outcome."""
    return tuple(_work(facts.work.works, facts))


def _work(works: Iterable[Work], facts: Facts) -> Iterator[WorkLine]:
    selection, last = facts.selection, None
    here = (selection.item, selection.test) if selection else None
    for work in works:
        if work.item != last:
            last = work.item
            yield WorkLine(
                harmless(work.item, 16), harmless(work.name, 60), "", selected=bool(here and here[0] == work.item)
            )
        body = work.result.body if work.result else {}
        shown = figure(body["value"], body["unit"], body["relation"]) if body.get("unit") else ""
        bracket = "" if work.result is None or work.result.is_bracketed else "no closing check"
        yield WorkLine(
            harmless(work.item, 16),
            harmless(work.name, 60),
            str(work.test),
            words=harmless(" ".join(part for part in (shown, bracket, work.why) if part), 80),
            outcome=str(work.outcome),
            sign=VERDICT_SIGN.get(work.outcome, ""),
            tone=OUTCOME_TONE.get(work.outcome, Tone.CALM),
            selected=here == (work.item, work.test),
        )


def work_done(facts: Facts) -> str:
    """`3 of 14 tests have their outcome`."""
    required = [work for work in facts.work.works if work.required]
    done = len(required) - len(facts.work.todo)
    return f"{done} of {len(required)} tests have their outcome"
