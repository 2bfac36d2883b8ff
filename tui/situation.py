"""The situation that decides what comes next, as the guide needs it: plain values and words for a person."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class LineState(StrEnum):
    """Whether a meter is there."""

    NONE = "none"
    """No meter was named when this logbook was opened."""
    WAITING = "waiting"
    """Named, and not heard of yet."""
    READY = "ready"
    LOST = "lost"
    """It was there; its line is tried again."""
    FAILED = "failed"
    """It will not be tried again."""


class ProofWord(StrEnum):
    """How far the meter is proven for what is selected."""

    PROVEN = "proven"
    NEEDS_BOTH = "needs both"
    NEEDS_INFINITY = "needs infinity"
    NEEDS_ZERO = "needs zero"


class Leads(StrEnum):
    """Where the leads are. Nobody knows that of a real meter's; of simulated hands it is known."""

    UNKNOWN = ""
    APART = "apart"
    JOINED = "joined"
    THERE = "there"
    """On what is selected, between its conductors."""
    ELSEWHERE = "elsewhere"


@dataclass(frozen=True, slots=True)
class Situation:
    """Everything that decides what comes next. Texts are words for a person, harmless already.

    Attributes:
        trouble: what the disk does.
        line_words: which line, and what is wrong with it.
        check: the point of the self-check under way, with `check_came` of `check_wants` readings so far.
        selected: what is tested; empty while nothing is.
        caution: the caution that stands unconfirmed; empty otherwise.
        judged: a person's eye answers this test, no meter.
        meter_on: what the meter is set to, where that is not what the test needs; `wants` says what is.
        proof: for the selected test (or what the meter is set to); `lapsed` says why it ended.
        proof_by: the function that the check is made on, where it is not the test's own.
        turn_voltage: only the test voltage is another, the function is right.
        leads_on: where the leads belong, as `C1, line+neutral to earth`; `leads` where they are, as far as is known.
        turned_away: why the newest reading does not count, and what to do, where no other rule says it.
        takeable: the newest reading under this selection counts, is fresh, and has not been taken.
        result: verdict of the result taken under this selection; empty while there is none.
        off: what keeps the test off a part, as `S3 is off`; `off_device` the first of them, its id;
            `changeover` all of them lead one way or another, and both ways are to be tested.
        spoiled: what would make the reading mean something else, the supply apart; `remedy` what to do about it, as
            `take link LK1 out`, done to `target`, an id;
            `supply_connected` this test is taken dead, and by the log the supply is connected.
        result_spoiled: something spoiled that result when it was taken.
        fails_first: what is done first where this test fails, as an order without its stop; `others_device` what turns
            the first of the other circuits off that hang on the same lead.
        next_work: what the work list has next.
        closing: what the meter must be checked on once more, as `insulation, 500 V`; `closing_by` its function's name;
            `closing_results` how many results wait for it, `closing_turn` the meter is on something else,
            `closing_zero` the other point has passed, `closing_reference` that point is a reference and not infinity.
        put_back: what is altered; `put_back_first` the first of it, as it was said.
        whole: the insulation of a whole board is selected.
        contenders: the meters that all measure what is selected, where none was named.
        walk: the action that goes on with the steps that the person is being led through; empty while they are not;
            `walk_step` the next of them; `walk_reading` what is selected is their own reading.
    """

    closed: bool = False
    trouble: str = ""
    line: LineState = LineState.READY
    line_words: str = ""
    live_leads: bool = False
    fault: str = ""
    battery_low: bool = False
    check: str = ""
    check_came: int = 0
    check_wants: int = 3
    selected: str = ""
    caution: str = ""
    judged: bool = False
    meter_on: str = ""
    wants: str = ""
    proof: ProofWord = ProofWord.PROVEN
    lapsed: str = ""
    proof_by: str = ""
    turn_voltage: bool = False
    leads_on: str = ""
    leads: Leads = Leads.UNKNOWN
    off: tuple[str, ...] = ()
    off_device: str = ""
    changeover: bool = False
    spoiled: str = ""
    remedy: str = ""
    target: str = ""
    supply_connected: bool = False
    turned_away: str = ""
    takeable: bool = False
    motion: str = ""
    result: str = ""
    result_spoiled: bool = False
    fails_first: str = ""
    others_device: str = ""
    next_work: str = ""
    closing: str = ""
    closing_by: str = ""
    closing_results: int = 0
    closing_turn: bool = False
    closing_zero: bool = False
    closing_reference: bool = False
    put_back: tuple[str, ...] = ()
    put_back_first: str = ""
    whole: bool = False
    walk: str = ""
    walk_step: str = ""
    walk_reading: bool = False
    keyed: bool = False
    contenders: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Advice:
    """The sentence, the actions that it offers (first the one it means), and whether it is a caution.

    Attributes:
        about: id of the device or alteration that it speaks of, which the lists behind its actions begin on.
    """

    sentence: str
    actions: tuple[str, ...] = ()
    caution: bool = False
    about: str = ""
