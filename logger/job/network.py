"""The installation as a network: runs of conductor, and the contacts of devices between them.

A run (segment) is named `ITEM/CONDUCTOR/k`: a circuit's id, or a board's for the parts before the circuits; the
conductor (`L`, `L1`…, `N`, `PE`, `S1`/`S2` for the strappers of a two-way pair); k = 0 next to the board, counting up
behind each device. Of a board, 0 is the run that comes in and 1 what lies behind its main switch: the bars that
circuits and sub-boards hang on (0 is both where there is no main switch). An id may hold a slash itself: conductor and
number are always the last two parts.

How the devices stand is not known here: see `setup`; what a test reaches: `reach`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

from logger.errors import PlanWrong
from logger.job.conductors import EARTH, NEUTRAL, STRAPPERS, lines_of, lines_of_circuit
from logger.job.model import Appliance, Board, Cable, Circuit, Device, DeviceKind, Item, Plan
from logger.job.wiring import SUPPLY, first_run_outside, lone_two_way, pairs_of, strapper_runs, wiring_faults
from logger.text import harmless

OWN_SOURCE: Final = "source of {}"
"""Stands in a reason for the transformer of a circuit whose voltage is not the supply's: nothing passes it."""

_CLOSED: Final[dict[DeviceKind, frozenset[str] | None]] = {
    DeviceKind.BREAKER: frozenset({"on"}),
    DeviceKind.RCD: frozenset({"on"}),
    DeviceKind.ONE_WAY: frozenset({"on"}),
    DeviceKind.TWO_WAY: frozenset({"1"}),  # one without a partner: only way 1 is wired
    DeviceKind.ISOLATOR: frozenset({"on"}),
    DeviceKind.CONTACTOR: frozenset({"closed"}),
    DeviceKind.MAIN_SWITCH: frozenset({"on"}),
    DeviceKind.JOINT: None,
}
"""In which positions a device passes what it switches; None: always."""


@dataclass(frozen=True, slots=True)
class Segment:
    """One run of one conductor.

    Attributes:
        item, conductor, run: the parts of its name.
        length_m: metres; 0 inside a board; None where the plan does not say.
    """

    id: str
    item: str
    conductor: str
    run: int
    length_m: Decimal | None


@dataclass(frozen=True, slots=True)
class Contact:
    """Two runs that meet, or can: `inner` is nearer to the supply.

    Attributes:
        device: what stands between them; None where they are simply joined.
        closed_in: the positions in which they meet; None: in all.
    """

    inner: str
    outer: str
    device: str | None = None
    closed_in: frozenset[str] | None = None


@dataclass(frozen=True)
class Network:
    """An installation, wired. Made by `build`; every mapping is in the order of the plan."""

    plan: Plan
    segments: Mapping[str, Segment]
    contacts: tuple[Contact, ...]
    devices: Mapping[str, Device]
    """Everything with a position or a place on a path, and the supply itself as `supply`."""
    boards: Mapping[str, Board]
    circuits: Mapping[str, Circuit]
    lines: tuple[str, ...]
    entrances: Mapping[str, tuple[Contact, ...]] = field(default_factory=dict)
    """Contacts on the board's side of each segment."""
    read: dict[tuple[str, str], object] = field(default_factory=dict, compare=False, repr=False)
    """What alterations were read to mean (see `alterations`): the same words are asked about again and again."""

    def of_item(self, item_id: str) -> tuple[Segment, ...]:
        """The runs of one item."""
        return tuple(segment for segment in self.segments.values() if segment.item == item_id)

    def item(self, item_id: str) -> Item | None:
        """The board, circuit or earth of that id that is drawn here."""
        found = self.plan.item(item_id)
        return None if found is None or isinstance(found, Appliance) else found

    def bar(self, board_id: str, conductor: str) -> str:
        """The segment of a board that its circuits hang on."""
        return _name(board_id, conductor, _last_run(self.boards[board_id]))

    def end(self, circuit_id: str, conductor: str) -> str:
        """The last run of a circuit's conductor."""
        return _name(circuit_id, conductor, len(self.circuits[circuit_id].path))

    def way_up(self, board_id: str) -> tuple[str, ...]:
        """The boards from `board_id` to the supply, itself first."""
        ids = [board_id]
        while (feed := self.boards[ids[-1]].feed) is not None:
            ids.append(feed)
        return tuple(ids)

    def in_order(self, segments: frozenset[str] | set[str]) -> tuple[str, ...]:
        """Segments as the plan lists them."""
        return tuple(name for name in self.segments if name in segments)


def build(plan: Plan) -> Network:
    """The network of a plan that its loader has passed.

    Raises:
        PlanWrong: where it cannot be wired, with every reason.
    """
    faults = wiring_faults(plan)
    if faults:
        raise PlanWrong(harmless(plan.title), [str(fault) for fault in faults])
    return _Builder(plan).network()


def passes(device: Device) -> frozenset[str] | None:
    """The positions in which a device that opens and closes is closed; None for a joint."""
    return _CLOSED[device.kind]


def has_own_source(circuit: Circuit, plan: Plan) -> bool:
    """Whether a transformer stands between the circuit and its board: its voltage is lower than the supply's."""
    return circuit.nominal_v is not None and plan.supply is not None and circuit.nominal_v < plan.supply.voltage


def switches_neutral(device: Device) -> bool:
    """Whether the neutral goes through the device's contacts."""
    return device.kind in {DeviceKind.RCD, DeviceKind.MAIN_SWITCH} or device.poles % 2 == 0


def _name(item: str, conductor: str, run: int) -> str:
    return f"{item}/{conductor}/{run}"


def _last_run(board: Board) -> int:
    return 1 if board.main_switch else 0


class _Builder:
    """One network being put together, from the supply outwards."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.lines = lines_of(plan)
        self.boards = {board.id: board for board in plan.boards}
        self.segments: dict[str, Segment] = {}
        self.contacts: list[Contact] = []

    def network(self) -> Network:
        for board in self.plan.boards:
            self._board(board)
        for earth in self.plan.earths:
            if earth.board or self.plan.boards:
                self._run(earth.id, EARTH, 0, earth.cable.length_m)
                at = self.boards[earth.board] if earth.board else self.plan.boards[0]
                self._join(_name(at.id, EARTH, _last_run(at)), _name(earth.id, EARTH, 0))
        for circuit in self.plan.circuits:
            self._circuit(circuit)
        entrances: dict[str, list[Contact]] = {}
        for contact in self.contacts:
            entrances.setdefault(contact.outer, []).append(contact)
        return Network(
            plan=self.plan,
            segments=self.segments,
            contacts=tuple(self.contacts),
            devices={SUPPLY: Device(SUPPLY, DeviceKind.MAIN_SWITCH, poles=2), **self.plan.devices},
            boards=self.boards,
            circuits={circuit.id: circuit for circuit in self.plan.circuits},
            lines=self.lines,
            entrances={outer: tuple(found) for outer, found in entrances.items()},
        )

    def _run(self, item: str, conductor: str, run: int, length_m: Decimal | None) -> None:
        name = _name(item, conductor, run)
        self.segments[name] = Segment(name, item, conductor, run, length_m)

    def _join(self, inner: str, outer: str, device: str | None = None, closed_in: frozenset[str] | None = None) -> None:
        self.contacts.append(Contact(inner, outer, device if closed_in is not None else None, closed_in))

    def _board(self, board: Board) -> None:
        conductors = (*self.lines, NEUTRAL, EARTH)
        for conductor in conductors:
            self._run(board.id, conductor, 0, board.cable.length_m)
            if board.main_switch:
                self._run(board.id, conductor, 1, Decimal(0))
        for conductor in conductors:
            incoming = _name(board.id, conductor, 0)
            closed = frozenset({"on"}) if conductor != EARTH else None
            if board.feed is not None:
                feed = self.boards[board.feed]
                self._join(_name(feed.id, conductor, _last_run(feed)), incoming)
            else:
                self._join(f"{SUPPLY}/{conductor}", incoming, SUPPLY, closed)
            if board.main_switch:
                self._join(incoming, _name(board.id, conductor, 1), board.main_switch, closed)

    def _circuit(self, circuit: Circuit) -> None:
        runs = [list(_conductors(circuit, run)) for run in range(len(circuit.path) + 1)]
        for run, conductors in enumerate(runs):
            for conductor in conductors:
                self._run(circuit.id, conductor, run, _run_length(circuit.path, circuit.cable, run))
        board = self.boards[circuit.board]
        source = OWN_SOURCE.format(circuit.id) if has_own_source(circuit, self.plan) else None
        for conductor in runs[0]:
            never = frozenset[str]() if source and conductor != EARTH else None
            self._join(_name(board.id, conductor, _last_run(board)), _name(circuit.id, conductor, 0), source, never)
        for place, device in enumerate(circuit.path):
            for inner, outer, closed_in in _through(circuit.path, place, runs[place], runs[place + 1]):
                self._join(_name(circuit.id, inner, place), _name(circuit.id, outer, place + 1), device.id, closed_in)


def _conductors(circuit: Circuit, run: int) -> tuple[str, ...]:
    lines = STRAPPERS if run in strapper_runs(circuit.path) else lines_of_circuit(circuit)
    return (*lines, NEUTRAL, EARTH)


def _run_length(path: tuple[Device, ...], cable: Cable, run: int) -> Decimal | None:
    """A circuit's cable is spread evenly over its runs outside the board: the plan knows only the whole."""
    outside = first_run_outside(path)
    if run < outside:
        return Decimal(0)
    return None if cable.length_m is None else cable.length_m / (len(path) + 1 - outside)


def _through(
    path: tuple[Device, ...], place: int, inner: list[str], outer: list[str]
) -> Iterator[tuple[str, str, frozenset[str] | None]]:
    """How one device joins the run before it to the run behind it: (inner, outer, positions)."""
    device = path[place]
    first = next((pair for pair in pairs_of(path) if place == pair[0]), None)
    second = next((pair for pair in pairs_of(path) if place == pair[1]), None)
    neutral = passes(device) if device.kind is not DeviceKind.INTERMEDIATE and switches_neutral(device) else None
    if first:
        yield from ((inner[0], strapper, frozenset({way})) for strapper, way in zip(STRAPPERS, "12", strict=True))
    elif second:
        yield from ((strapper, outer[0], frozenset({way})) for strapper, way in zip(STRAPPERS, "12", strict=True))
    elif device.kind is DeviceKind.INTERMEDIATE:
        for one, other in (STRAPPERS, STRAPPERS[::-1]):
            yield one, one, frozenset({"straight"})
            yield one, other, frozenset({"crossed"})
    else:
        lines = [name for name in inner if name not in {NEUTRAL, EARTH}]
        yield from ((name, name, passes(device)) for name in lines)
    if lone_two_way(path) == place or first or second:
        neutral = None
    yield NEUTRAL, NEUTRAL, neutral
    yield EARTH, EARTH, None
