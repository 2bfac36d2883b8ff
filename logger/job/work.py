"""The work of a job: which test each item needs, and how far it has come.

Pure: reads the state and the rule pack, decides nothing about a reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from logger.proof import Point, ProofKey
from logger.quantity import LIVE_TESTS, ZERO_AND_INFINITY, Test

if TYPE_CHECKING:
    from logger.job.model import Item
    from logger.state import JobState, ResultState


class Outcome(StrEnum):
    """What has become of one piece of work, in a word."""

    TO_DO = "to do"
    MEETS = "meets"
    FAILS = "fails"
    UNDECIDED = "undecided"
    RECORDED = "recorded"
    IN_DOUBT = "in doubt"
    SKIPPED = "skipped"


HOW_IT_STANDS: Final = {
    Outcome.TO_DO: "has no result yet",
    Outcome.FAILS: "has failed",
    Outcome.UNDECIDED: "is undecided",
    Outcome.IN_DOUBT: "is in doubt",
    Outcome.SKIPPED: "was skipped",
}
"""An outcome that a live test must not be begun on, as the end of a sentence."""


@dataclass(frozen=True, slots=True)
class Work:
    """One test on one item.

    Attributes:
        required: whether plan or rules demand it (else it was done of the operator's own accord).
        result: the newest result; None where there is none.
        why: reason for skipping.
        again: entry of a failure of another test, since mended, that this result is older than: it is asked for again.
    """

    item: str
    name: str
    test: Test
    required: bool
    outcome: Outcome
    result: ResultState | None
    why: str = ""
    again: int | None = None

    @property
    def is_to_do(self) -> bool:
        """It has neither a result that stands nor a reason, or is asked for again."""
        return self.outcome in {Outcome.TO_DO, Outcome.IN_DOUBT} or self.again is not None

    @property
    def is_settled(self) -> bool:
        """A result that stands and is bracketed, or a reason for having none."""
        if self.is_to_do:
            return False
        return self.result is None or self.result.is_bracketed


def work_list(state: JobState) -> list[Work]:
    """Everything there is to do or was done, in plan order."""
    if state.plan is None or state.pack is None:
        return []
    again = _again_since_mended(state)
    return [work for item in state.plan.items for work in _work_on(state, item, again)]


def _again_since_mended(state: JobState) -> dict[tuple[str, Test], int]:
    """What is asked for again because of a failure that has been tested anew since."""
    asked = asked_again(state)
    failures = {result.entry: (result.item, result.test) for result in state.results} if asked else {}
    return {place: entry for place, entry in asked.items() if failures[entry] not in asked}


def _work_on(state: JobState, item: Item, again: Mapping[tuple[str, Test], int]) -> Iterator[Work]:
    assert state.plan is not None
    assert state.pack is not None
    required = state.pack.tests_for(item, state.plan)
    done = dict.fromkeys(r.test for r in state.current.values() if r.item == item.id)
    for test in [*required, *(test for test in done if test not in required)]:
        result = state.result_for(item.id, test)
        why = state.skips.get((item.id, test), "")
        asked = again.get((item.id, test))
        yield Work(item.id, item.name, test, test in required, _outcome(result, why), result, why, asked)


def _outcome(result: ResultState | None, why: str) -> Outcome:
    if result is None:
        return Outcome.SKIPPED if why else Outcome.TO_DO
    if result.in_doubt is not None:
        return Outcome.IN_DOUBT  # a reason for leaving a test out lifts no doubt: it must be taken again
    return Outcome(result.verdict)


def falls_short(state: JobState) -> bool:
    """Whether a result that stands fails, is undecided or in doubt."""
    return any(each.badness > 0 for each in state.current.values())


def missing_before(state: JobState, item: Item, test: Test) -> list[tuple[Test, str]]:
    """Tests of the item that must stand before a live test is begun, and do not, each with how it stands.

    Empty for tests that need no supply. What the rules give no limit for stands once it is recorded; what neither plan
    nor rules ask of this item need not be done, but must not have failed.
    """
    if test not in LIVE_TESTS or state.plan is None or state.pack is None:
        return []
    required = state.pack.tests_for(item, state.plan)
    found = []
    for earlier in state.pack.tests_before(test, item, state.plan):
        outcome = _outcome(state.result_for(item.id, earlier), state.skips.get((item.id, earlier), ""))
        if outcome is Outcome.TO_DO and earlier not in required:
            continue
        if outcome not in {Outcome.MEETS, Outcome.RECORDED}:
            found.append((earlier, HOW_IT_STANDS[outcome]))
    return found


def asked_again(state: JobState) -> dict[tuple[str, Test], int]:
    """Tests to repeat since another failed after them, with the entry of that failure (IEC 60364-6, 6.4.3.1).

    The failed test itself is among them until it has a newer result.
    """
    if state.plan is None or state.pack is None:
        return {}
    newest = {(result.item, result.test): result.entry for result in state.results}  # oldest first: the last one stays
    again: dict[tuple[str, Test], int] = {}
    for failed in state.results:
        item = state.plan.item(failed.item)
        if failed.verdict != Outcome.FAILS or item is None:
            continue
        for test in (failed.test, *state.pack.tests_again(failed.test, item, state.plan)):
            if newest.get((item.id, test), failed.entry + 1) <= failed.entry:
                again[(item.id, test)] = failed.entry
    return again


def unfinished(state: JobState) -> list[dict[str, object]]:
    """Everything that keeps the job from being closed (interface, section 3); empty when nothing does."""
    found: list[dict[str, object]] = []
    for work in work_list(state):
        if work.required and work.outcome is Outcome.TO_DO:
            found.append(_line(work.item, work.test, "has neither a result nor a reason for having none"))
    for result in sorted(state.current.values(), key=lambda each: each.entry):
        if result.in_doubt is not None:
            why = f"is in doubt since entry {result.in_doubt}: take it again"
            found.append(_line(result.item, result.test, why, result))
        elif not result.is_bracketed:
            found.append(_line(result.item, result.test, _bracket_words(state, result), result))
    for alteration in state.alterations.values():
        why = f"is {alteration.to} since {alteration.at} and not restored"
        found.append({"what": alteration.what, "to": alteration.to, "entry": alteration.entry, "why": why})
    found.extend(_links_out(state))
    return found


def _links_out(state: JobState) -> Iterator[dict[str, object]]:
    """Neutral-earth links that were set out, and that no alteration speaks of."""
    for board in state.plan.boards if state.plan else ():
        link = board.neutral_earth_link
        if link and link not in state.alterations and state.positions.get(link) == "out":
            yield {"what": link, "to": "out", "entry": None, "why": "is out and not restored: put it back in"}


def _line(item: str, test: Test, why: str, result: ResultState | None = None) -> dict[str, object]:
    between = result.body.get("between") if result else None
    return {"item": item, "test": test, "between": between, "entry": result.entry if result else None, "why": why}


def closing_point(state: JobState, key: ProofKey) -> Point:
    """What a closing check of this proof puts on the leads besides zero: what its opening check did."""
    points = state.proof_of(key).points
    if Point.INFINITY in points or Point.REFERENCE in points:
        return Point.INFINITY if Point.INFINITY in points else Point.REFERENCE
    return Point.INFINITY if key.function in ZERO_AND_INFINITY else Point.REFERENCE


def _bracket_words(state: JobState, result: ResultState) -> str:
    key = result.proof
    assert key is not None
    at_voltage = f" {key.voltage} V" if key.voltage else ""
    far = closing_point(state, key)
    points = "infinity and zero" if far is Point.INFINITY else "zero and a reference"
    return f"has no closing check: check {points} of meter {key.serial} on {key.function}{at_voltage} again"
