"""Where the test leads are: apart, joined, or on an item between conductors; and which nodes that means.

A circuit is probed where it begins, with its line lifted off the bar of its board and its neutral and earth left in
their bars, so that it reads on its own and a neutral-earth link still shows. Tests that need the supply are probed at
the far end, with everything connected. One conductor alone (`PE`) is measured from end to end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from drivers.simulator.site import BODY, Site
from drivers.simulator.wiring import bus, far, near
from logger.errors import InputWrong
from logger.job.conductors import EARTH, NEUTRAL, lines_of_circuit
from logger.job.model import Appliance, ApplianceClass, Board, Circuit, Earth, Item
from logger.quantity import Function

CONDUCTORS: Final = ("L", "L1", "L2", "L3", NEUTRAL, EARTH, BODY)
"""What `between` may name; `L` stands for all lines of the item."""

PROBED_LIVE: Final = frozenset(
    {
        Function.EARTH_LOOP,
        Function.LINE_LOOP,
        Function.RCD_TIME,
        Function.RCD_CURRENT,
        Function.VOLTAGE_AC,
        Function.POLARITY,
    }
)
"""Functions that need the supply: their leads are at the far end."""

USUAL_BETWEEN: Final = {
    Function.INSULATION: "L+N/PE",
    Function.CONTINUITY: "PE",
    Function.VOLTAGE_AC: "L/N",
    Function.LINE_LOOP: "L/N",
    Function.SUBSTITUTE_CURRENT: "L+N/PE",
}
USUAL_ELSE: Final = "L/PE"


@dataclass(frozen=True, slots=True)
class Apart:
    """The leads touch nothing."""

    def __str__(self) -> str:
        return "open"


@dataclass(frozen=True, slots=True)
class Joined:
    """The leads are shorted."""

    def __str__(self) -> str:
        return "short"


@dataclass(frozen=True, slots=True)
class OnItem:
    """The leads are on an item. `between` is empty for what the selected function usually needs."""

    item: str
    between: str = ""

    def __str__(self) -> str:
        return f"on {self.item} {self.between}".rstrip()


Placement = Apart | Joined | OnItem


@dataclass(frozen=True, slots=True)
class Probes:
    """The nodes that each lead touches (several: joined by a clip), and the circuit whose line is off its bar."""

    plus: tuple[str, ...]
    minus: tuple[str, ...]
    parted: str | None = None


def between_of(placement: OnItem, site: Site, function: Function) -> str:
    """The conductors that the leads are on, for `function`."""
    if placement.between:
        return placement.between
    if isinstance(site.plan.item(placement.item), Earth):
        return EARTH
    return USUAL_BETWEEN.get(function, USUAL_ELSE)


def probes(site: Site, item_id: str, between: str, function: Function) -> Probes:
    """The nodes for leads on an item.

    Args:
        between: `A/B`, each side one conductor or several with `+`; or one conductor, measured end to end.

    Raises:
        InputWrong: if there is no such item, or it has no such conductors.
    """
    item = site.plan.item(item_id)
    if item is None:
        known = ", ".join(other.id for other in site.plan.items)
        raise InputWrong(f"There is no item {item_id} on this site", f"put the leads on one of {known}")
    live = function in PROBED_LIVE
    plus_text, slash, minus_text = between.partition("/")
    if not slash:
        ends = [_nodes(site, item, plus_text, at_far=at_far) for at_far in (False, True)]
        if isinstance(item, Appliance) and ends[0] == ends[1]:
            raise InputWrong(f"{item.id} has no {between} to measure from end to end", "write it like L+N/body")
        return Probes(ends[0], ends[1])
    plus = _nodes(site, item, plus_text, at_far=live)
    minus = _nodes(site, item, minus_text, at_far=live)
    if set(plus) & set(minus):
        raise InputWrong(f"{between} has one conductor on both leads", "name it on one side only")
    return Probes(plus, minus, item.id if isinstance(item, Circuit) and not live else None)


def _nodes(site: Site, item: Item, text: str, *, at_far: bool) -> tuple[str, ...]:
    nodes: list[str] = []
    for word in text.split("+"):
        found = _ends(site, item, word, at_far=at_far) if word in CONDUCTORS else ()
        if not found:
            raise InputWrong(f"{item.id} has no conductor {word or '(none)'} to put a lead on", _example(item))
        nodes += found
    return tuple(dict.fromkeys(nodes))


def _example(item: Item) -> str:
    return "write PE" if isinstance(item, Earth) else "write it like L+N/PE, L/N or PE"


def _ends(site: Site, item: Item, word: str, *, at_far: bool) -> tuple[str, ...]:
    if isinstance(item, Circuit):
        return _circuit_ends(site, item, word, at_far=at_far)
    if isinstance(item, Board):
        known = {"L": site.lines, NEUTRAL: (NEUTRAL,), EARTH: (EARTH,)} | {line: (line,) for line in site.lines}
        conductors = known.get(word, ())
        if at_far or word != EARTH:
            return tuple(bus(item.id, conductor) for conductor in conductors)
        return (near(item.id, EARTH, 0),)
    if isinstance(item, Earth):
        return ((far if at_far else near)(item.id, EARTH, 0),) if word == EARTH else ()
    return _appliance_ends(item, word, at_far=at_far)


def _circuit_ends(site: Site, circuit: Circuit, word: str, *, at_far: bool) -> tuple[str, ...]:
    lines = lines_of_circuit(circuit)
    known = {"L": lines, NEUTRAL: (NEUTRAL,), EARTH: (EARTH,)} | {line: (line,) for line in lines}
    conductors = known.get(word, ())
    if not at_far:
        return tuple(near(circuit.id, conductor, 0) for conductor in conductors)
    truth = site.circuits[circuit.id]
    a, b = truth.swapped or ("", "")
    changed = {a: b, b: a}
    last = len(truth.runs) - 1
    return tuple(far(circuit.id, changed.get(conductor, conductor), last) for conductor in conductors)


def _appliance_ends(appliance: Appliance, word: str, *, at_far: bool) -> tuple[str, ...]:
    class_ii = appliance.appliance_class is ApplianceClass.II
    if word == BODY or (word == EARTH and class_ii):
        return (far(appliance.id, BODY, 0),)
    if word not in ("L", NEUTRAL, EARTH):
        return ()
    if word == EARTH and at_far:
        return (far(appliance.id, BODY, 0),)
    return ((far if at_far else near)(appliance.id, word, 0),)
