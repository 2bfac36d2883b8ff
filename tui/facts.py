"""What stands now, taken out of a session at one moment: everything the sentence is made of, frozen.

`gather` holds the session's lock for as long as it copies references, and no longer; words are made afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final, Protocol

from logger.bodies import Selection
from logger.clock import NS_PER_S
from logger.errors import ZerofirstError
from logger.job.model import Item, Plan
from logger.job.work import Work, closing_point, work_list
from logger.proof import Point, Proof, ProofKey, carriers
from logger.quantity import JUDGED_BY_A_PERSON, ZERO_AND_INFINITY, Function
from logger.recorder.results import lead_resistance, limit_on
from logger.recorder.steps import TAKE_WITHIN_S
from logger.rules.limit import Limit
from logger.rules.pack import Pack
from logger.screening import functions_for
from logger.state import Alteration, JobState, MeterState, ResultState
from tui.live import Live, Seen
from tui.situation import LineState
from tui.walk import Walk

if TYPE_CHECKING:
    import threading

    from logger.recorder.core import Recorder
    from logger.recorder.intake import Candidate
    from tui.wiring import Outcome as SessionOutcome


MAIN_CARRIER: Final = Function.CONTINUITY
"""The resistance function on which a meter is proven for tests with no zero and infinity of their own."""


SPEAKS_WITHIN_S: Final = 2.0
"""How old the newest reading of a meter may be that is heard all the time, seconds: a slow one sends one a second."""


class Sitting(Protocol):
    """What the screen needs of a session; `tui.wiring.Session` is one."""

    lock: threading.RLock

    @property
    def trouble(self) -> str:
        """What is wrong with the disk now; empty while all is well."""

    @property
    def state(self) -> JobState:
        """What the log says now; under `lock`."""

    @property
    def recorder(self) -> Recorder | None:
        """The recorder, under `lock`; None where the logbook is only looked at."""

    @property
    def failures(self) -> tuple[ZerofirstError, ...]:
        """Lines that are over for good."""

    def submit(self, step: Mapping[str, Any]) -> None:
        """Queue a step."""

    def stop(self) -> None:
        """Stop now."""

    def wait(self, timeout_s: float | None = None) -> SessionOutcome | None:
        """The outcome, when it has ended."""


@dataclass(frozen=True, slots=True)
class Closing:
    """Results that wait for their closing check on one proof.

    Attributes:
        zero_left: the other point of the check has passed since them all.
        by_reference: that point is a reference and not infinity.
    """

    key: ProofKey
    results: int
    zero_left: bool
    by_reference: bool = False


@dataclass(frozen=True, slots=True)
class WorkFacts:
    """The work list as it stood when it was last worked out.

    Attributes:
        covered: by item, test and conductors: the runs that its own results have reached, those that fail apart.
    """

    works: tuple[Work, ...] = ()
    todo: tuple[Work, ...] = ()
    closings: tuple[Closing, ...] = ()
    covered: Mapping[tuple[str, str, str], frozenset[str]] = field(default_factory=dict)

    @property
    def next_work(self) -> Work | None:
        """The first that is required and has neither result nor reason."""
        return self.todo[0] if self.todo else None


@dataclass(frozen=True, slots=True)
class CheckFacts:
    """The self-check under way."""

    key: ProofKey
    point: Point
    came: int


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything the sentence is made of.

    Attributes:
        meter: the one that the sentence is about; a copy.
        others: how many more meters are here.
        pinned: serial number of the meter that the person has named for what is tested; empty where any will do.
        contenders: where two or more meters measure what is selected and none is named: their serial numbers.
        line, line_words: how that meter's line is.
        seen: its newest reading.
        key, proof: what must be proven for the next reading to count; None, unproven, where that is not known yet.
        carrier: the proof of another function that stands in, where the test's own has no zero and infinity.
        walk: the steps that the person is being led through; None while they are not.
        lead_ohm: resistance of the leads in the candidate, ohms, where the meter did not take it off.
        prove, prove_proof: what the keys for self-checks check, and how far it is; None where nothing can be.
    """

    plan: Plan
    pack: Pack
    utc_offset_min: int
    now_at: str
    now_ns: int
    closed: bool
    selection: Selection | None
    item: Item | None
    limit: Limit | None
    caution: str
    judged: bool
    meter: MeterState | None
    others: int
    pinned: str
    contenders: tuple[str, ...]
    line: LineState
    line_words: str
    lost_since_ns: int | None
    seen: Seen | None
    key: ProofKey | None
    proof: Proof
    carrier: ProofKey | None
    prove: ProofKey | None
    prove_proof: Proof
    check: CheckFacts | None
    candidate: Candidate | None
    lead_ohm: Decimal | None
    positions: Mapping[str, str]
    alterations: tuple[Alteration, ...]
    work: WorkFacts
    trouble: str
    walk: Walk | None = None

    @property
    def must_carry(self) -> bool:
        """The selected test needs another function proven in its stead, and none is yet."""
        key = self.key
        own = key is None or key.function in ZERO_AND_INFINITY or self.proof.is_whole
        return not own and self.carrier is None


def gather(
    sitting: Sitting,
    live: Live,
    work: WorkFacts,
    addresses: Sequence[str],
    now_at: str,
    now_ns: int,
    pinned: str = "",
) -> Facts | None:
    """The facts; None before the log says what the job is. Call it with `sitting.lock` held."""
    state, recorder = sitting.state, sitting.recorder
    if state.plan is None or state.pack is None:
        return None
    selection = state.selection
    candidates = recorder.candidates if recorder else {}
    meter = _the_meter(state, live, pinned, now_ns)
    serial = meter.serial if meter else ""
    seen = live.meters[serial].newest if serial in live.meters else None
    key = _key(state, serial, seen)
    prove = _to_prove(key, seen, work)
    line, words, since_ns = _line(sitting, live, meter, addresses)
    check = recorder.check if recorder else None
    item = state.plan.item(selection.item) if selection else None
    candidate = candidates.get(serial)
    return Facts(
        plan=state.plan,
        pack=state.pack,
        utc_offset_min=state.utc_offset_min,
        now_at=now_at,
        now_ns=now_ns,
        closed=state.closed_at is not None,
        selection=selection,
        item=item,
        limit=limit_on(state, selection, candidate) if selection and item else None,
        caution=_standing_caution(state, live, selection),
        judged=selection is not None and selection.test in JUDGED_BY_A_PERSON,
        meter=replace(meter) if meter else None,
        others=max(0, len(live.here) - 1),
        pinned=(selection.meter or "") if selection else pinned,
        contenders=_contenders(selection, candidates, now_ns),
        line=line,
        line_words=words,
        lost_since_ns=since_ns,
        seen=seen,
        key=key,
        proof=state.proof_of(key) if key else Proof(),
        carrier=_carrier(state, key),
        prove=prove,
        prove_proof=state.proof_of(prove) if prove else Proof(),
        check=CheckFacts(check.key, check.point, len(check.readings)) if check else None,
        candidate=candidate,
        lead_ohm=lead_resistance(state, state.pack.bands, candidate) if candidate else None,
        positions=dict(state.positions),
        alterations=tuple(state.alterations.values()),
        work=work,
        trouble=sitting.trouble,
    )


def work_facts(state: JobState) -> WorkFacts:
    """The work list, what of it is left, and the closing checks that results wait for. Call it with the lock held."""
    works = tuple(work_list(state))
    todo = tuple(work for work in works if work.required and work.is_to_do)
    return WorkFacts(works, todo, tuple(_closings(state)), _covered(state))


def _covered(state: JobState) -> dict[tuple[str, str, str], frozenset[str]]:
    found: dict[tuple[str, str, str], set[str]] = {}
    for result in state.results:
        reach = result.body.get("reach")
        stands = result.in_doubt is None and result.body.get("verdict") != "fails"
        if isinstance(reach, Mapping) and stands:
            place = (result.item, str(result.test), str(result.body.get("between")))
            found.setdefault(place, set()).update(map(str, reach.get("reached", ())))
    return {place: frozenset(runs) for place, runs in found.items()}


def _closings(state: JobState) -> list[Closing]:
    waiting: dict[ProofKey, list[ResultState]] = {}
    for result in state.current.values():
        if result.proof is not None and result.in_doubt is None and not result.is_bracketed:
            waiting.setdefault(result.proof, []).append(result)
    return [_closing(key, closing_point(state, key), results) for key, results in waiting.items()]


def _closing(key: ProofKey, far: Point, results: Sequence[ResultState]) -> Closing:
    return Closing(key, len(results), all(far in result.after for result in results), far is Point.REFERENCE)


def _standing_caution(state: JobState, live: Live, selection: Selection | None) -> str:
    if selection is None or state.pack is None or state.closed_at is not None:
        return ""
    return "" if selection.test in live.confirmed else state.pack.caution_for(selection.test) or ""


def _contenders(selection: Selection | None, candidates: Mapping[str, Candidate], now_ns: int) -> tuple[str, ...]:
    """The meters of which each has a reading that could be taken; empty where it is clear whose is meant."""
    if selection is None or selection.meter is not None:
        return ()
    fresh = [s for s, each in candidates.items() if now_ns - each.measured_ns <= TAKE_WITHIN_S * NS_PER_S]
    return tuple(sorted(fresh)) if len(fresh) > 1 else ()


def _the_meter(state: JobState, live: Live, pinned: str, now_ns: int) -> MeterState | None:
    """The meter that the sentence is about: the one named, else one that can do the test.

    Of several that could, it is the one heard last; where several are heard all the time, the one set to what is
    tested, and else the first of them: it must not change with every reading.
    """
    here = [state.meters[serial] for serial in live.here if serial in state.meters]
    selection = state.selection
    if selection is not None and selection.meter is not None and selection.meter in state.meters:
        return state.meters[selection.meter]
    if selection is None and pinned in live.here and pinned in state.meters:
        return state.meters[pinned]
    wanted = set(functions_for(selection.test)) if selection is not None else set()
    here = [m for m in here if any(r.function in wanted for r in m.ranges)] or here
    speaking = {m.serial: seen for m in here if (seen := _spoke(live, m.serial, now_ns)) is not None}
    if len(speaking) > 1:
        fitting = [m for m in here if m.serial in speaking and speaking[m.serial].function in wanted]
        return fitting[0] if fitting else next(m for m in here if m.serial in speaking)
    heard = live.newest.serial if live.newest else ""
    return next((m for m in here if m.serial == heard), here[0] if here else None)


def _spoke(live: Live, serial: str, now_ns: int) -> Seen | None:
    """The newest reading of a meter that is heard all the time; None for any other."""
    seen = live.meters[serial].newest if serial in live.meters else None
    return seen if seen is not None and now_ns - seen.arrived_ns <= SPEAKS_WITHIN_S * NS_PER_S else None


def _line(
    sitting: Sitting, live: Live, meter: MeterState | None, addresses: Sequence[str]
) -> tuple[LineState, str, int | None]:
    if meter is not None:
        lost = live.lost.get(meter.serial) or live.lost.get(meter.line)
        return (LineState.LOST, lost.why, lost.since_ns) if lost else (LineState.READY, meter.line, None)
    if sitting.failures:
        return LineState.FAILED, str(sitting.failures[-1]), None
    return (LineState.WAITING, addresses[0], None) if addresses else (LineState.NONE, "", None)


def _key(state: JobState, serial: str, seen: Seen | None) -> ProofKey | None:
    """What must be proven for the next reading to count."""
    if not serial:
        return None
    selection = state.selection
    functions = functions_for(selection.test) if selection else ()
    if functions:
        on_meter = seen is not None and seen.function in functions
        function = seen.function if on_meter and seen is not None else functions[0]
        return ProofKey.of(serial, function, selection.voltage if selection else None)
    return ProofKey.of(serial, seen.function, seen.voltage) if seen is not None else None


def _carrier(state: JobState, key: ProofKey | None) -> ProofKey | None:
    """The proof that stands in for this one (interface, section 3: functions with no meaningful zero and infinity)."""
    if key is None or key.function in ZERO_AND_INFINITY or state.proof_of(key).is_whole:
        return None
    whole = [k for k, proof in state.proofs.items() if k.serial == key.serial and proof.is_whole]
    return next((k for function in carriers(key) for k in whole if k.function is function), None)


def _to_prove(key: ProofKey | None, seen: Seen | None, work: WorkFacts) -> ProofKey | None:
    """What a self-check would be of: what the job waits for, as far as the meter is set to it."""
    on_meter = None if seen is None else ProofKey.of(seen.serial, seen.function, seen.voltage)
    waiting = [closing.key for closing in work.closings]
    if work.next_work is None and waiting:
        return on_meter if on_meter in waiting else waiting[0]
    if key is not None and key.function in ZERO_AND_INFINITY:
        return key
    if on_meter is not None and on_meter.function in ZERO_AND_INFINITY:
        return on_meter
    return None if key is None else ProofKey(key.serial, MAIN_CARRIER)
