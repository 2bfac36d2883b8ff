"""What the log says now: the state of a job as a fold over its entries.

`JobState.apply` is the only way anything gets in, while capturing and when a logbook is opened again, so that what
the screen shows, what `close` checks and what the audit rebuilds cannot differ. It judges nothing and writes nothing.
Readings and raw bytes do not pass through here: there may be millions, and nothing that stands rests on one
until a result names it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import ClassVar, Final

from logger.bodies import Body, Selection, range_from_body, selection_from_body
from logger.clock import from_rfc3339
from logger.job.model import Plan
from logger.job.plan import plan_from_body
from logger.logbook.entries import Kind
from logger.proof import Lapse, Passed, Point, Proof, ProofKey
from logger.quantity import Function, Test
from logger.reading import Range
from logger.rules.pack import Pack, pack_from_body

BATTERY_SUFFICES_PERCENT: Final = 20
"""From this charge on a meter that told of a low battery is believed to have one that suffices, percent."""


@dataclass(slots=True)
class MeterState:
    """An instrument as it last described itself."""

    serial: str
    line: str = ""
    boot: str = ""
    maker: str = ""
    model: str = ""
    firmware: str = ""
    calibrated_until: str = ""
    battery_percent: int | None = None
    leads: str = ""
    ranges: tuple[Range, ...] = ()
    connected: bool = False
    fault: str = ""
    battery_low: bool = False


@dataclass(slots=True)
class ResultState:
    """A result and what has become of it.

    Attributes:
        proof: the proof that carried its reading; None for what a person judged.
        after: checks of that proof that have passed since, by point, with their entry numbers.
        in_doubt: entry of the later check that failed, or of what the meter told late; None if there is none.
    """

    entry: int
    body: Body
    item: str
    test: Test
    verdict: str
    proof: ProofKey | None
    after: dict[Point, int] = field(default_factory=dict)
    in_doubt: int | None = None

    @property
    def is_bracketed(self) -> bool:
        """Nothing to prove, or zero and infinity (or a reference) passed again since."""
        if self.proof is None:
            return True
        return Point.ZERO in self.after and (Point.INFINITY in self.after or Point.REFERENCE in self.after)

    @property
    def badness(self) -> int:
        """How far it is from settling its item: in doubt before failed before undecided before all others."""
        return 3 if self.in_doubt is not None else {"fails": 2, "undecided": 1}.get(self.verdict, 0)

    @property
    def reached(self) -> frozenset[str]:
        """The segments that its reading covered; none where that is not known, or something spoiled it."""
        reach = self.body.get("reach") or {}
        return frozenset() if reach.get("spoiled_by") else frozenset(reach.get("reached", ()))

    @property
    def place(self) -> tuple[object, ...]:
        """What a later result must share with this one to take its place."""
        setting = self.body.get("setting") or {}
        return (self.item, self.test, self.body.get("between"), self.body.get("voltage"), *sorted(setting.items()))


@dataclass(frozen=True, slots=True)
class Alteration:
    """A temporary change to the installation that must be put back. `before`: a device's position until then."""

    entry: int
    at: str
    what: str
    to: str
    why: str
    before: str | None = None


@dataclass(frozen=True, slots=True)
class Entered:
    """One entry as the fold takes it in."""

    number: int
    at: str
    body: Body
    mono_ns: int


class JobState:
    """The fold. Attributes are for reading; only `apply` changes them."""

    KINDS: ClassVar[tuple[str, ...]]
    """The kinds of entries that matter to it; all others may be left out of a fold."""

    def __init__(self) -> None:
        self.plan: Plan | None = None
        self.pack: Pack | None = None
        self.operator = ""
        self.utc_offset_min = 0
        self.meters: dict[str, MeterState] = {}
        self.proofs: dict[ProofKey, Proof] = {}
        self.selection: Selection | None = None
        self.results: list[ResultState] = []
        self.current: dict[tuple[object, ...], ResultState] = {}
        self.alterations: dict[str, Alteration] = {}
        self.positions: dict[str, str] = {}
        self.skips: dict[tuple[str, Test], str] = {}
        self.confirmed: set[str] = set()
        self.cautions_told: set[str] = set()
        self.open_gaps: dict[tuple[str, str], list[tuple[int, int]]] = {}
        self.closed_at: str | None = None
        self.last_at: str | None = None
        self._unbracketed: dict[ProofKey, list[ResultState]] = {}

    def apply(self, number: int, at: str, kind: str, body: Body, mono_ns: int) -> None:
        """Take one entry in.

        Args:
            number, at, kind, body: the entry.
            mono_ns: its time on the host's monotonic clock of this session (earlier sessions: worked out from `at`).
        """
        self.last_at = at
        handler = _HANDLERS.get(kind)
        if handler is not None:
            handler(self, Entered(number, at, body, mono_ns))

    def proof_of(self, key: ProofKey) -> Proof:
        """Where the meter stands for that key; unproven if nothing was ever checked."""
        return self.proofs.get(key, Proof())

    def local_day(self, at: str) -> date:
        """The operator's calendar day at that moment."""
        return (from_rfc3339(at) + timedelta(minutes=self.utc_offset_min)).date()

    @property
    def doubted(self) -> frozenset[int]:
        """Entries of the results that are in doubt."""
        return frozenset(result.entry for result in self.results if result.in_doubt is not None)

    def result_for(self, item: str, test: Test) -> ResultState | None:
        """What stands for that item and test: of its results that were not replaced (other conductors, other
        settings) the worst, of equals the newest; None if there is none."""
        own = [result for result in self.current.values() if result.item == item and result.test is test]
        return max(own, key=lambda result: (result.badness, result.entry), default=None)

    def _job(self, entry: Entered) -> None:
        self.plan = plan_from_body(dict(entry.body["plan"]))
        self.positions = {d.id: d.positions[0] for d in self.plan.devices.values() if d.positions}

    def _rules(self, entry: Entered) -> None:
        self.pack = pack_from_body(dict(entry.body["pack"]))

    def _opened(self, entry: Entered) -> None:
        self.operator = str(entry.body.get("operator", ""))
        self.utc_offset_min = int(entry.body.get("utc_offset_min", 0))
        self.selection = None
        self.cautions_told.clear()
        for meter in self.meters.values():
            meter.connected = False

    def _instrument(self, entry: Entered) -> None:
        meter = self.meters.setdefault(str(entry.body["serial"]), MeterState(str(entry.body["serial"])))
        if meter.boot != entry.body["boot"]:
            meter.fault, meter.battery_low = "", False
        for name in ("line", "boot", "maker", "model", "firmware", "calibrated_until", "battery_percent", "leads"):
            setattr(meter, name, entry.body[name])
        meter.connected = True
        if meter.battery_percent is not None and meter.battery_percent >= BATTERY_SUFFICES_PERCENT:
            meter.battery_low = False
        if "functions" in entry.body:
            meter.ranges = tuple(range_from_body(each) for each in entry.body["functions"])

    def _connection(self, entry: Entered) -> None:
        meter = self.meters.get(str(entry.body.get("serial")))
        if meter is not None:
            meter.connected = bool(entry.body.get("connected"))

    def _self_check(self, entry: Entered) -> None:
        key = ProofKey(str(entry.body["serial"]), Function(entry.body["function"]), entry.body["voltage"])
        point = Point(entry.body["point"])
        proof = self.proof_of(key)
        waiting = self._unbracketed.get(key, [])
        if entry.body["outcome"] != "pass":
            self.proofs[key] = proof.without(Lapse.FAILED_CHECK)
            for result in waiting:
                result.in_doubt = entry.number
            self._unbracketed.pop(key, None)
            return
        meter = self.meters.get(key.serial)
        if meter is not None:
            meter.fault = ""
        figures = tuple(str(figure) for figure in entry.body.get("figures", ()))
        passed = Passed(
            point, entry.number, entry.mono_ns, self.local_day(entry.at), entry.at, figures, entry.body.get("lead_ohm")
        )
        self.proofs[key] = proof.with_passed(passed)
        for result in waiting:
            result.after[point] = entry.number
        self._unbracketed[key] = [result for result in waiting if not result.is_bracketed]

    def _lapsed(self, entry: Entered) -> None:
        for each in entry.body["proofs"]:
            key = ProofKey(str(entry.body["serial"]), Function(each["function"]), each["voltage"])
            self.proofs[key] = self.proof_of(key).without(str(entry.body["why"]))
        doubts = set(entry.body.get("doubts", ()))
        for result in self.results if doubts else ():
            if result.entry in doubts:
                result.in_doubt = entry.number
        meter = self.meters.get(str(entry.body["serial"]))
        if meter is not None:
            if entry.body["why"] == Lapse.FAULT:
                meter.fault = str(entry.body.get("words") or "fault")
            elif entry.body["why"] == Lapse.BATTERY_LOW:
                meter.battery_low = True

    def _selection(self, entry: Entered) -> None:
        self.selection = selection_from_body(entry.number, entry.body)

    def _result(self, entry: Entered) -> None:
        carried = entry.body.get("proof")
        key = None
        if carried:
            key = ProofKey(str(entry.body["serial"]), Function(carried["function"]), carried["voltage"])
        result = ResultState(
            entry.number, entry.body, str(entry.body["item"]), Test(entry.body["test"]), str(entry.body["verdict"]), key
        )
        self.results.append(result)
        self._replace(result)
        if key is not None:
            self._unbracketed.setdefault(key, []).append(result)

    def _replace(self, result: ResultState) -> None:
        """Put a result in the place of an earlier one. A failure stays beside it until later readings have reached all
        that it reached: what is behind a switch that was opened since has not got better."""
        earlier = self.current.get(result.place)
        self.current[result.place] = result
        if earlier is not None and earlier.verdict == "fails":
            self.current[(*earlier.place, "failed", earlier.entry)] = earlier
        kept = [place for place, each in self.current.items() if place != each.place and self._is_outdone(each)]
        for place in kept:
            del self.current[place]

    def _is_outdone(self, failed: ResultState) -> bool:
        """Whether a later result in its place, or all later ones that meet their limits, reached what it reached."""
        left = failed.reached
        for later in self.results:
            if later.entry > failed.entry and later.place[1:] == failed.place[1:]:
                if later.place == failed.place and later.reached >= failed.reached:
                    return True  # whatever it came to: it stands for itself
                if later.verdict == "meets" and later.in_doubt is None:
                    left -= later.reached
        return not left

    def _alteration(self, entry: Entered) -> None:
        what = str(entry.body["what"])
        earlier = self.alterations.get(what)
        before = earlier.before if earlier else self.positions.get(what)
        self.alterations[what] = Alteration(
            entry.number, entry.at, what, str(entry.body["to"]), str(entry.body["why"]), before
        )
        if what in self.positions and str(entry.body["to"]) in self._positions_of(what):
            self.positions[what] = str(entry.body["to"])

    def _restoration(self, entry: Entered) -> None:
        what = str(entry.body["what"])
        alteration = self.alterations.pop(what, None)
        if alteration is None and self._positions_of(what):
            self.positions[what] = self._positions_of(what)[0]  # a link that was set out goes back in
        elif alteration is not None and alteration.before is not None:
            self.positions[what] = alteration.before

    def _positions_of(self, device: str) -> tuple[str, ...]:
        found = self.plan.devices.get(device) if self.plan else None
        return found.positions if found else ()

    def _position(self, entry: Entered) -> None:
        self.positions[str(entry.body["device"])] = str(entry.body["position"])

    def _skip(self, entry: Entered) -> None:
        self.skips[(str(entry.body["item"]), Test(entry.body["test"]))] = str(entry.body["why"])

    def _caution(self, entry: Entered) -> None:
        self.cautions_told.add(str(entry.body["test"]))

    def _confirmation(self, entry: Entered) -> None:
        self.confirmed.add(str(entry.body["caution"]))

    def _gap(self, entry: Entered) -> None:
        body = entry.body
        self.open_gaps.setdefault((str(body["serial"]), str(body["boot"])), []).append((body["first"], body["last"]))

    def _gap_settled(self, entry: Entered) -> None:
        name = (str(entry.body["serial"]), str(entry.body["boot"]))
        self._settle(name, int(entry.body["first"]), int(entry.body["last"]))

    def number_came(self, serial: str, boot: str, n: int) -> None:
        """A meter's number `n` is held: it is missing no more.

        `apply` does not fold it from entries: most logbooks hold very many readings and no open gap.
        """
        if (serial, boot) in self.open_gaps:
            self._settle((serial, boot), n, n)

    def _settle(self, name: tuple[str, str], low: int, high: int) -> None:
        left = [part for gap in self.open_gaps.get(name, ()) for part in _without(gap, low, high)]
        self.open_gaps.pop(name, None)
        if left:
            self.open_gaps[name] = left

    def _closed(self, entry: Entered) -> None:
        self.closed_at = entry.at


_HANDLERS: dict[str, Callable[[JobState, Entered], None]] = {
    Kind.JOB: JobState._job,
    Kind.RULES: JobState._rules,
    Kind.OPENED: JobState._opened,
    Kind.INSTRUMENT: JobState._instrument,
    Kind.DISCONNECTED: JobState._connection,
    Kind.RECONNECTED: JobState._connection,
    Kind.SELF_CHECK: JobState._self_check,
    Kind.LAPSED: JobState._lapsed,
    Kind.SELECTION: JobState._selection,
    Kind.RESULT: JobState._result,
    Kind.ALTERATION: JobState._alteration,
    Kind.RESTORATION: JobState._restoration,
    Kind.POSITION: JobState._position,
    Kind.GAP: JobState._gap,
    Kind.FILLED: JobState._gap_settled,
    Kind.LOST: JobState._gap_settled,
    Kind.SKIP: JobState._skip,
    Kind.CAUTION: JobState._caution,
    Kind.CONFIRMATION: JobState._confirmation,
    Kind.CLOSED: JobState._closed,
    Kind.SEAL: JobState._closed,
}

JobState.KINDS = tuple(_HANDLERS)


def _without(gap: tuple[int, int], low: int, high: int) -> list[tuple[int, int]]:
    """What is left of a gap once `low` to `high` are settled; both ends belong to it."""
    parts = [(gap[0], min(gap[1], low - 1)), (max(gap[0], high + 1), gap[1])]
    return [(first, last) for first, last in parts if first <= last]
