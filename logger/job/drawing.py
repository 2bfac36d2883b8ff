"""The installation as a drawing: rows of runs, devices and loads, each with how it looks and in words why.

Nothing is put on a screen or a page here: of the rows `drawing_text` makes lines of styled spans, `drawing_svg` a
picture.
Every look has a sign and a word of its own, so that nothing rests on colour.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from logger.job.conductors import STRAPPERS
from logger.job.islands import Because
from logger.job.model import Board, Circuit, Device
from logger.job.network import Network
from logger.job.reach_model import Reach
from logger.job.setup import SetUp, Standing, standing, to_put_back
from logger.job.wiring import SUPPLY, strapper_runs
from logger.text import harmless

NAME_CHARACTERS_AT_MOST: Final = 28
"""Longest name of a board or circuit in a drawing, characters: a third of the narrowest terminal."""


class Look(StrEnum):
    """How a part of the drawing looks."""

    PLAIN = "plain"
    """No test is asked about."""
    REACHED = "reached"
    PARTLY = "partly reached"
    UNREACHED = "not reached"
    ALTERED = "altered"
    SPOILED = "spoils the reading"
    NAME = "name"
    WORDS = "words"


@dataclass(frozen=True, slots=True)
class Piece:
    """One thing on a row. `kind`: `run`, `strappers`, `device`, `link`, `load`."""

    kind: str
    label: str
    look: Look


@dataclass(frozen=True, slots=True)
class Row:
    """One item: its place in the tree, its name, what is on it from the supply outwards, and words on its state."""

    depth: int
    name: str
    pieces: tuple[Piece, ...]
    words: str
    look: Look


def rows(network: Network, setup: SetUp, found: Reach | None = None) -> tuple[Row, ...]:
    """The whole installation as it stands; with `found`, what that test reaches, and below what spoils it."""
    return tuple(_Drawing(network, setup, found).rows())


class _Drawing:
    def __init__(self, network: Network, setup: SetUp, found: Reach | None) -> None:
        self.network = network
        self.standing: Standing = standing(network, setup)
        self.open = to_put_back(network, setup)
        self.found = found
        self.reached = frozenset(found.reached) if found else frozenset()
        self.kept_off = {each.segment: each.because for each in found.unreached} if found else {}
        self.altered = {each.what for each in self.open}
        self.spoiling = {each.target for each in found.spoiled_by if each.target} if found else set[str]()

    def rows(self) -> Iterator[Row]:
        """Supply, boards with their circuits, then what spoils and what must be put back."""
        yield Row(0, "", (self._device(SUPPLY),), "", Look.NAME)
        for board in self.network.boards.values():
            if board.feed is None:
                yield from self._board(board, 0)
        for spoiler in self.found.spoiled_by if self.found else ():
            words = f"{spoiler.why}; reads like {spoiler.reads_like}"
            yield Row(0, "", (), harmless(words), Look.SPOILED)
        for each in self.open:
            yield Row(0, "", (), f"{harmless(each.what)} is {harmless(each.now)}: {each.by}", Look.ALTERED)

    def _board(self, board: Board, depth: int) -> Iterator[Row]:
        pieces = [self._run(board.id, 0)]
        if board.main_switch:
            pieces += [self._device(board.main_switch), self._run(board.id, 1)]
        if board.neutral_earth_link:
            pieces.append(self._device(board.neutral_earth_link, "link"))
        yield Row(depth, _called(board.id, board.name), tuple(pieces), self._words(board.id), Look.NAME)
        for circuit in self.network.circuits.values():
            if circuit.board == board.id:
                yield self._circuit(circuit, depth + 1)
        first = next(iter(self.network.boards), "")
        for earth in self.network.plan.earths:
            if (earth.board or first) == board.id:
                yield Row(depth + 1, _called(earth.id, earth.name), (self._run(earth.id, 0),), "", Look.NAME)
        for below in self.network.boards.values():
            if below.feed == board.id:
                yield from self._board(below, depth + 1)

    def _circuit(self, circuit: Circuit, depth: int) -> Row:
        strappers = strapper_runs(circuit.path)
        pieces = [self._run(circuit.id, 0)]
        for place, device in enumerate(circuit.path):
            pieces.append(self._device(device.id))
            run = place + 1
            pieces.append(self._strappers(circuit.id, run) if run in strappers else self._run(circuit.id, run))
        if circuit.load is not None:
            away = circuit.id in self.standing.unplugged
            look = Look.ALTERED if away else Look.SPOILED if circuit.id in self.spoiling else Look.PLAIN
            pieces.append(Piece("load", f"{circuit.load.kind}{' out' if away else ''}", look))
        return Row(depth, _called(circuit.id, circuit.name), tuple(pieces), self._words(circuit.id), Look.NAME)

    # -- pieces -----------------------------------------------------------------------------------------------------

    def _device(self, device_id: str, kind: str = "device") -> Piece:
        device: Device = self.network.devices[device_id]
        where = self.standing.positions.get(device_id, "")
        look = Look.PLAIN
        if device_id in self.altered:
            look = Look.ALTERED
        elif device_id in self.spoiling:
            look = Look.SPOILED
        elif any(each.device == device_id for because in self.kept_off.values() for each in because):
            look = Look.UNREACHED
        return Piece(kind, f"{harmless(device.id)} {where}".strip(), look)

    def _run(self, item: str, run: int) -> Piece:
        segments = [s.id for s in self.network.of_item(item) if s.run == run]
        return Piece("run", "", self._look(segments))

    def _strappers(self, item: str, run: int) -> Piece:
        looks = [self._look([f"{item}/{name}/{run}"]) for name in STRAPPERS]
        together = looks[0] if looks[0] is looks[1] else Look.PARTLY
        return Piece("strappers", "/".join(look.value for look in looks), together)

    def _look(self, segments: list[str]) -> Look:
        if any(name in self.standing.off for name in segments):
            return Look.ALTERED
        asked = [name for name in segments if name in self.reached or name in self.kept_off]
        if not asked:
            return Look.PLAIN
        held = [name for name in asked if name in self.reached]
        return Look.REACHED if len(held) == len(asked) else Look.PARTLY if held else Look.UNREACHED

    # -- words ------------------------------------------------------------------------------------------------------

    def _words(self, item: str) -> str:
        """What of an item is not reached and why; `reached` where all is; nothing where no test is asked about."""
        groups: dict[tuple[Because, ...], list[str]] = {}
        for name, because in self.kept_off.items():
            segment = self.network.segments[name]
            if segment.item == item:
                found = groups.setdefault(because, [])
                if segment.conductor not in found:
                    found.append(segment.conductor)
        if not groups:
            return "reached" if any(self.network.segments[n].item == item for n in self.reached) else ""
        return "; ".join(f"not {'+'.join(names)}: {because_words(because)}" for because, names in groups.items())


def because_words(because: tuple[Because, ...]) -> str:
    """`behind K21, which is open`; `S3 is 1, S4 is 1`."""
    if not because:
        return "nothing joins it"
    if len(because) == 1:
        return f"behind {harmless(because[0].device)}, which is {harmless(because[0].position)}"
    return ", ".join(f"{harmless(each.device)} is {harmless(each.position)}" for each in because)


def covers_words(network: Network, found: Reach) -> str:
    """`11 of 12 runs · not C3 behind S3, which is off`: one line for the working screen."""
    total = len(found.reached) + len(found.unreached)
    items: dict[str, tuple[Because, ...]] = {}
    for each in found.unreached:
        items.setdefault(network.segments[each.segment].item, each.because)
    left = [f"{harmless(item)}{' ' if len(why) == 1 else ': '}{because_words(why)}" for item, why in items.items()]
    return " · not ".join([f"{len(found.reached)} of {total} runs", *left])


def _called(item: str, name: str) -> str:
    return harmless(f"{item} {name}".strip(), NAME_CHARACTERS_AT_MOST)
