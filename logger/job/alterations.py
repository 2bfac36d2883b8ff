"""What an alteration does to the network: its words, read.

`what` and `to` are said freely (`LK1` `out`; `L+N at DB1` `joined`; `load of C5` `unplugged`; `C3/N/0` `off the bar`)
and every alteration is kept, whatever its words. Here it is found out which part of the network it means, if any: one
that means none is shown and must be put back like any other, and reach does not reckon with it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from logger.job.conductors import EARTH, LINE, NEUTRAL
from logger.job.model import Circuit, DeviceKind, Earth
from logger.job.network import Network
from logger.job.wiring import SUPPLY


class AlterationKind(StrEnum):
    """What an alteration is, as the trade calls it."""

    LINK_OUT = "link out"
    SUPPLY_OFF = "supply parted"
    DEVICE_HELD = "device held"
    """A switch or breaker put into a position for the time being."""
    BRIDGE_IN = "bridge in"
    """Conductors joined at a board, for one lead to hold them all."""
    CONDUCTORS_JOINED = "conductors joined"
    """Conductors joined at the end of a circuit (the R1+R2 link)."""
    BRIDGE_MISSING = "bridge missing"
    """Somebody said that a bridge is not there."""
    LOAD_UNPLUGGED = "load unplugged"
    LAMP_OUT = "lamp out"
    SURGE_OUT = "surge device out"
    CONDUCTOR_OFF = "conductor off"
    """A conductor taken off its terminal on the board's side."""
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Meaning:
    """What an alteration means.

    Attributes:
        kind: what it is.
        target: device, item or segment; empty for `OTHER`.
        position: of a device; empty for all else.
        conductors: what is joined, for bridges: `("L", "N")`, where `L` is every line.
    """

    kind: AlterationKind
    target: str = ""
    position: str = ""
    conductors: tuple[str, ...] = ()


READ_AT_MOST: Final = 1000
"""Most different words whose meaning is kept, so that no stranger's log can fill the memory; more are read anew."""

_OUT: Final = frozenset(
    {"out", "off", "open", "opened", "removed", "remove", "unplugged", "disconnected", "parted", "isolated", "pulled"}
    | {"drawn", "lifted", "apart", "missing", "absent"}
)
_IN: Final = frozenset(
    {"in", "on", "joined", "bridged", "bridge", "closed", "connected", "linked", "link", "fitted", "shorted", "short"}
)

_GROUP: Final = re.compile(
    r"(?<![\w/])((?:L[123]?|N|PE|E|R1|R2|RN)(?:\s?[+\-–&]\s?(?:L[123]?|N|PE|E|R1|R2|RN))+)(?![\w/])", re.I
)
"""Conductors joined in writing: `L+N`, `R1+R2`, `L-PE`."""

_AS_CONDUCTOR: Final = {"E": EARTH, "R1": LINE, "R2": EARTH, "RN": NEUTRAL}


def meaning_of(network: Network, what: str, to: str) -> Meaning:
    """Which part of the network `what` names and what `to` does to it; `OTHER` where neither can be told."""
    known = network.read.get((what, to))
    if isinstance(known, Meaning):
        return known
    words = _Words(network, what, to)
    readings = (reading(words) for reading in (_segment, _bridge, _load, _device, _link, _supply, _conductor))
    found = next((meaning for meaning in readings if meaning is not None), Meaning(AlterationKind.OTHER))
    if len(network.read) < READ_AT_MOST:
        network.read[what, to] = found
    return found


class _Words:
    """What was said, taken apart."""

    def __init__(self, network: Network, what: str, to: str) -> None:
        self.network = network
        self.what = " ".join(what.split())
        self.to = to.strip()
        self.plain = frozenset(re.findall(r"[a-z]+", what.casefold()))
        said = frozenset(re.findall(r"[a-z]+", to.casefold()))
        self.is_out = bool(said & _OUT)
        self.is_in = bool(said & _IN) and not self.is_out

    def named(self, ids: list[str]) -> str | None:
        """The longest id of `ids` that stands in `what` as a word of its own; case counts only where it must."""
        folded = self.what.casefold()
        near = sorted((name for name in ids if name.casefold() in folded), key=lambda name: (-len(name), name))
        for flags in (re.NOFLAG, re.IGNORECASE):
            for each in near:
                if re.search(rf"(?<![\w/-]){re.escape(each)}(?![\w/-])", self.what, flags):
                    return each
        return None

    @property
    def circuit(self) -> Circuit | None:
        """The circuit that is named."""
        name = self.named(list(self.network.circuits))
        return self.network.circuits[name] if name else None

    @property
    def board(self) -> str | None:
        """The board that is named, or the only one there is."""
        boards = list(self.network.boards)
        return self.named(boards) or (boards[0] if len(boards) == 1 else None)


def _segment(words: _Words) -> Meaning | None:
    name = next((each for each in (words.what, f"{words.what}/0") if each in words.network.segments), None)
    return Meaning(AlterationKind.CONDUCTOR_OFF, name) if name and not words.is_in else None


def _bridge(words: _Words) -> Meaning | None:
    """`L+N at DB1` joined; `R1+R2 link C3` in; a neutral-earth link said as `N-PE` is the link."""
    found = _GROUP.search(words.what)
    if not found:
        return None
    names = [_AS_CONDUCTOR.get(name, name) for name in re.split(r"\s?[+\-–&]\s?", found.group(1).upper())]
    conductors = tuple(dict.fromkeys(names))
    if len(conductors) < 2:
        return None
    if set(conductors) == {NEUTRAL, EARTH} and words.is_out and (link := _link_of(words)):
        return Meaning(AlterationKind.LINK_OUT, link, "out")
    circuit = words.circuit
    place = circuit.id if circuit else words.board or next(iter(words.network.boards), "")
    if not place:
        return None
    if words.is_out:
        return Meaning(AlterationKind.BRIDGE_MISSING, place, conductors=conductors)
    kind = AlterationKind.CONDUCTORS_JOINED if circuit else AlterationKind.BRIDGE_IN
    return Meaning(kind, place, conductors=conductors)


def _device(words: _Words) -> Meaning | None:
    name = words.named([each for each in words.network.devices if each != SUPPLY])
    device = words.network.devices.get(name or "")
    if device is None or not device.positions:
        return None
    position = words.to if words.to in device.positions else _position_said(device.positions, words)
    if position is None:
        return None
    kind = AlterationKind.LINK_OUT if device.kind is DeviceKind.LINK else AlterationKind.DEVICE_HELD
    return Meaning(kind, device.id, position)


def _position_said(positions: tuple[str, ...], words: _Words) -> str | None:
    """A position said in another word: a link `removed`, a breaker `open`."""
    apart = next((each for each in positions if each in {"out", "off", "open"}), None)
    joined = next((each for each in positions if each in {"in", "on", "closed"}), None)
    return apart if words.is_out else joined if words.is_in else None


def _link(words: _Words) -> Meaning | None:
    """`neutral-earth link` at a board, or the only one there is."""
    about = {"neutral", "earth"} <= words.plain or "men" in words.plain
    if not (about and words.plain & {"link", "bond"} and (words.is_out or words.is_in)):
        return None
    link = _link_of(words)
    return Meaning(AlterationKind.LINK_OUT, link, "out" if words.is_out else "in") if link else None


def _link_of(words: _Words) -> str | None:
    links = {board.id: board.neutral_earth_link for board in words.network.boards.values() if board.neutral_earth_link}
    named = words.named(list(words.network.boards))
    if named:
        return links.get(named)
    return next(iter(links.values())) if len(links) == 1 else None


def _supply(words: _Words) -> Meaning | None:
    if words.plain & {SUPPLY, "mains"} and (words.is_out or words.is_in):
        return Meaning(AlterationKind.SUPPLY_OFF, SUPPLY, "off" if words.is_out else "on")
    return None


def _load(words: _Words) -> Meaning | None:
    circuit = words.circuit
    if circuit is None or words.is_in:
        return None
    if words.plain & {"surge", "spd"}:
        return Meaning(AlterationKind.SURGE_OUT, circuit.id)
    if words.plain & {"lamp", "lamps", "bulb", "bulbs", "luminaire", "luminaires"}:
        return Meaning(AlterationKind.LAMP_OUT, circuit.id)
    if (
        words.plain & {"load", "loads", "appliance", "appliances", "plug", "plugs"}
        or "unplugged" in words.to.casefold()
    ):
        return Meaning(AlterationKind.LOAD_UNPLUGGED, circuit.id)
    return None


def _conductor(words: _Words) -> Meaning | None:
    """An earthing conductor, or the neutral, line or earth of a circuit, off its terminal."""
    if not words.is_out:
        return None
    earth = words.named([item.id for item in words.network.plan.earths])
    if earth and isinstance(words.network.item(earth), Earth):
        return Meaning(AlterationKind.CONDUCTOR_OFF, f"{earth}/{EARTH}/0")
    circuit = words.circuit
    if circuit is None:
        return None
    called = {"neutral": NEUTRAL, "earth": EARTH, "cpc": EARTH, "line": circuit.phase}
    found = next((conductor for word, conductor in called.items() if word in words.plain), None)
    name = f"{circuit.id}/{found}/0"
    return Meaning(AlterationKind.CONDUCTOR_OFF, name) if name in words.network.segments else None
