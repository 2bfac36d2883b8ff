"""Whether a plan can be wired: two-way switches in pairs, intermediates inside one, poles that fit.

Tells every fault with its place, for the plan loader to add to its own list; builds nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from logger.job.conductors import lines_of_circuit
from logger.job.model import Board, Circuit, Device, DeviceKind, Item, JobKind, Plan
from logger.text import harmless

SUPPLY: Final = "supply"
"""The supply as a device: `on`, or `off` where it is parted before the first main switch (service fuse drawn)."""

INSIDE_A_PAIR: Final = frozenset({DeviceKind.INTERMEDIATE, DeviceKind.JOINT})
"""What can stand between the two switches of a two-way pair."""

IN_THE_BOARD: Final = frozenset({DeviceKind.BREAKER, DeviceKind.RCD})
"""Devices that stand in the board where they come first on a path: the cable begins behind them."""


@dataclass(frozen=True, slots=True)
class WiringFault:
    """Why a plan cannot be wired. `key`: where in the item (`path`, `id` …), as the plan file names it."""

    item: Item
    key: str
    sentence: str

    def __str__(self) -> str:
        what = "board" if isinstance(self.item, Board) else type(self.item).__name__.lower()
        return f"{what} {harmless(self.item.id)}: {self.key}: {self.sentence}"


def wiring_faults(plan: Plan) -> tuple[WiringFault, ...]:
    """Every reason why the circuits of `plan` cannot be drawn; empty where they can.

    Unknown boards, feeds in a circle and ids given twice are the plan loader's own checks and not repeated here.
    """
    if plan.kind is not JobKind.INSTALLATION:
        return ()
    return (*_names(plan), *(fault for circuit in plan.circuits for fault in _path(circuit)))


def wiring_notes(plan: Plan) -> tuple[str, ...]:
    """What can be wired and is worth a look: sentences for whoever wrote the plan."""
    notes = [
        f"circuit {harmless(circuit.id)}: two-way switch {harmless(circuit.path[lone].id)} has no partner: it is taken "
        "as a switch of which only way 1 is wired"
        for circuit in plan.circuits
        if (lone := lone_two_way(circuit.path)) is not None
    ]
    links = [board.neutral_earth_link for board in plan.boards if board.neutral_earth_link]
    if len(links) > 1:
        notes.append(f"neutral is joined to earth in {len(links)} places: {', '.join(map(harmless, links))}")
    return tuple(notes)


def pairs_of(path: tuple[Device, ...]) -> tuple[tuple[int, int], ...]:
    """Two-way switches as pairs, by their places on the path: the first with the second, the third with the fourth …"""
    places = [place for place, device in enumerate(path) if device.kind is DeviceKind.TWO_WAY]
    return tuple(zip(places[0::2], places[1::2], strict=False))


def lone_two_way(path: tuple[Device, ...]) -> int | None:
    """The place of the two-way switch that is left over; None where all have partners."""
    places = [place for place, device in enumerate(path) if device.kind is DeviceKind.TWO_WAY]
    return places[-1] if len(places) % 2 else None


def strapper_runs(path: tuple[Device, ...]) -> frozenset[int]:
    """The runs (0 lies before the first device) that consist of two strappers instead of a line."""
    return frozenset(run for first, second in pairs_of(path) for run in range(first + 1, second + 1))


def first_run_outside(path: tuple[Device, ...]) -> int:
    """The first run that leaves the board: behind the breakers and residual current devices that come first."""
    for place, device in enumerate(path):
        if device.kind not in IN_THE_BOARD:
            return place
    return len(path)


def _names(plan: Plan) -> Iterator[WiringFault]:
    items: tuple[Item, ...] = (*plan.boards, *plan.circuits)
    for item in items:
        for key, device_id in _device_ids(item):
            if device_id.casefold() == SUPPLY:
                yield WiringFault(item, key, f"no device can be called {SUPPLY!r}: that is the supply itself")


def _device_ids(item: Item) -> Iterator[tuple[str, str]]:
    if isinstance(item, Circuit):
        yield from (("path", device.id) for device in item.path)
    if isinstance(item, Board):
        yield from ((key, value) for key in ("main_switch", "neutral_earth_link") if (value := getattr(item, key)))


def _path(circuit: Circuit) -> Iterator[WiringFault]:
    pairs = pairs_of(circuit.path)
    lines = len(lines_of_circuit(circuit))
    for place, device in enumerate(circuit.path):
        name = harmless(device.id)
        around = next(((a, b) for a, b in pairs if a < place < b), None)
        if around is None and device.kind is DeviceKind.INTERMEDIATE:
            yield WiringFault(circuit, "path", f"intermediate {name} must stand between two two-way switches")
        if around is not None and device.kind not in INSIDE_A_PAIR:
            first, second = (harmless(circuit.path[at].id) for at in around)
            yield WiringFault(
                circuit,
                "path",
                f"{name} cannot stand between the two-way switches {first} and {second}: put it outside",
            )
        if device.kind in {DeviceKind.MAIN_SWITCH, DeviceKind.LINK}:
            yield WiringFault(circuit, "path", f"{name}: a {device.kind} belongs to a board, not on a path")
        if device.poles > lines + 1:
            yield WiringFault(
                circuit, "path", f"{name} has {device.poles} poles, the circuit only {lines + 1} conductors"
            )
    if pairs and lines > 1:
        yield WiringFault(circuit, "path", "two-way switches cannot stand in a three-phase circuit")
