"""The set-up: how every device stands now, and what has been altered for the time being and must be put back.

Values only: `apply_set`, `alter` and `restore` answer with a new set-up or refuse; the recorder makes entries of them.
What the set-up does to the network is `Standing`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from logger.errors import InputWrong
from logger.job.alterations import AlterationKind, Meaning, meaning_of
from logger.job.conductors import LINE, lines_of_circuit
from logger.job.model import DeviceKind
from logger.job.network import Network
from logger.text import harmless

ALTERATIONS_AT_MOST: Final = 200
"""Most alterations open at once: more than anybody can put back is a slip, and the list stays readable."""


@dataclass(frozen=True, slots=True)
class Alteration:
    """Something altered for the time being.

    Attributes:
        what, to, why: as it was said.
        at: UTC, RFC 3339, as the log has it.
        who: the operator.
    """

    what: str
    to: str
    why: str = ""
    at: str = ""
    who: str = ""


@dataclass(frozen=True, slots=True)
class ToPutBack:
    """One thing that must be as it was before the supply comes on. `what` is what `restore` is told."""

    what: str
    now: str
    since: str
    why: str
    who: str
    by: str
    """What puts it back, as a sentence without a full stop: `put link LK1 back in`."""


@dataclass(frozen=True, slots=True)
class SetUp:
    """How the installation stands: `positions` by device id (without joints), open `alterations` oldest first."""

    positions: Mapping[str, str] = field(default_factory=dict)
    alterations: tuple[Alteration, ...] = ()


def starting(network: Network) -> SetUp:
    """Where everything starts: two-way `1`, contactor `open`, links `in`, intermediates `straight`, all else `on`."""
    return SetUp({device.id: device.positions[0] for device in network.devices.values() if device.positions})


def set_up(network: Network, positions: Mapping[str, str], alterations: Iterable[Alteration] = ()) -> SetUp:
    """A set-up from what a log says: positions that are missing are where they start, unknown devices are dropped."""
    known = starting(network).positions
    kept = {name: place for name, place in positions.items() if place in _possible(network, name)}
    return SetUp({**known, **kept}, tuple(alterations))


def apply_set(network: Network, setup: SetUp, device: str, position: str) -> SetUp:
    """The set-up with `device` at `position`.

    Raises:
        InputWrong: no such device, a position it cannot take, or a device that an alteration holds; says what can be.
    """
    possible = _possible(network, device)
    if not possible:
        settable = ", ".join(harmless(each.id) for each in network.devices.values() if each.positions)
        raise InputWrong(f"There is no device {harmless(device)!r} to set", f"these can be set: {settable}")
    if position not in possible:
        raise InputWrong(f"{harmless(device)} cannot be {harmless(position)!r}", f"it can be {' or '.join(possible)}")
    held = _held_by(network, setup, device)
    if held is not None:
        raise InputWrong(f"{harmless(device)} is {harmless(held.to)} as an alteration", "say restore to put it back")
    return replace(setup, positions={**setup.positions, device: position})


def alter(network: Network, setup: SetUp, alteration: Alteration) -> SetUp:
    """The set-up with one more alteration; the same `what` again takes the place of the earlier one.

    Raises:
        InputWrong: nothing said, a device put where it cannot go, or too many open at once.
    """
    if not alteration.what.strip() or not alteration.to.strip():
        raise InputWrong("An alteration needs a what and a to", "say what is altered and how it is now")
    possible = _possible(network, alteration.what)
    if possible and meaning_of(network, alteration.what, alteration.to).kind is AlterationKind.OTHER:
        raise InputWrong(
            f"{harmless(alteration.what)} cannot be {harmless(alteration.to)!r}", f"it can be {' or '.join(possible)}"
        )
    others = tuple(each for each in setup.alterations if each.what != alteration.what)
    if len(others) >= ALTERATIONS_AT_MOST:
        raise InputWrong(f"{ALTERATIONS_AT_MOST} alterations are open", "put some back first")
    return replace(setup, alterations=(*others, alteration))


def restore(network: Network, setup: SetUp, what: str) -> SetUp:
    """The set-up with that alteration undone; a link that was `set` out goes back in.

    Raises:
        InputWrong: where nothing of that name is altered; says what is.
    """
    if any(each.what == what for each in setup.alterations):
        kept = tuple(each for each in setup.alterations if each.what != what)
        return replace(setup, alterations=kept)
    device = network.devices.get(what)
    if device is not None and device.kind is DeviceKind.LINK and setup.positions.get(what) != device.positions[0]:
        return replace(setup, positions={**setup.positions, what: device.positions[0]})
    still = ", ".join(harmless(each.what) for each in to_put_back(network, setup))
    raise InputWrong(f"{harmless(what)!r} is not altered", f"these are: {still}" if still else "nothing is altered")


def to_put_back(network: Network, setup: SetUp) -> tuple[ToPutBack, ...]:
    """Everything that must be put back before the supply comes on: open alterations, and links that were `set` out."""
    open_ones = [
        ToPutBack(each.what, each.to, each.at, each.why, each.who, _by(network, each)) for each in setup.alterations
    ]
    held = {meaning_of(network, each.what, each.to).target for each in setup.alterations}
    links = [
        ToPutBack(device.id, place, "", "", "", f"put link {device.id} back in")
        for device in network.devices.values()
        if device.kind is DeviceKind.LINK and device.id not in held
        if (place := setup.positions.get(device.id, device.positions[0])) != device.positions[0]
    ]
    return (*open_ones, *links)


def _possible(network: Network, device: str) -> tuple[str, ...]:
    found = network.devices.get(device)
    return found.positions if found else ()


def _held_by(network: Network, setup: SetUp, device: str) -> Alteration | None:
    for each in setup.alterations:
        meaning = meaning_of(network, each.what, each.to)
        if meaning.target == device and meaning.position:
            return each
    return None


def _by(network: Network, alteration: Alteration) -> str:
    meaning = meaning_of(network, alteration.what, alteration.to)
    what = harmless(alteration.what)
    target = harmless(meaning.target)
    match meaning.kind:
        case AlterationKind.LINK_OUT:
            return f"put link {target} back in"
        case AlterationKind.SUPPLY_OFF:
            return "the supply is joined again last of all"
        case AlterationKind.DEVICE_HELD:
            return f"let go of {target}: it is held {harmless(meaning.position)}"
        case AlterationKind.BRIDGE_IN | AlterationKind.CONDUCTORS_JOINED:
            return f"take the bridge {'+'.join(meaning.conductors)} at {target} out"
        case AlterationKind.LOAD_UNPLUGGED:
            return f"plug the load of {target} in again"
        case AlterationKind.LAMP_OUT:
            return f"put the lamps of {target} in again"
        case AlterationKind.SURGE_OUT:
            return f"put the surge device of {target} in again"
        case AlterationKind.CONDUCTOR_OFF:
            return f"put conductor {target} back under its terminal"
        case _:
            return f"put {what} back as it was"


@dataclass(frozen=True, slots=True)
class Bridge:
    """Conductors joined in one place: the segments that meet there, and what it is called."""

    segments: tuple[str, ...]
    what: str


@dataclass(frozen=True, slots=True)
class Standing:
    """What a set-up does to the network.

    Attributes:
        positions: of every device, alterations included.
        off: segments whose conductor is off its terminal on the board's side, by what was said.
        bridges: conductors joined.
        missing: bridges that somebody said are not there.
        unplugged: circuits whose load is away.
        surge_out: circuits whose surge device is away.
    """

    positions: Mapping[str, str]
    off: Mapping[str, Alteration]
    bridges: tuple[Bridge, ...]
    missing: tuple[tuple[Meaning, Alteration], ...]
    unplugged: frozenset[str]
    surge_out: frozenset[str]


def standing(network: Network, setup: SetUp) -> Standing:
    """What `setup` does to `network`."""
    said = [(meaning_of(network, each.what, each.to), each) for each in setup.alterations]
    positions = {**starting(network).positions, **setup.positions}
    positions.update({meaning.target: meaning.position for meaning, _ in said if meaning.position})
    kinds = AlterationKind
    unplugged = {m.target for m, _ in said if m.kind in {kinds.LOAD_UNPLUGGED, kinds.LAMP_OUT}}
    return Standing(
        positions=positions,
        off={meaning.target: each for meaning, each in said if meaning.kind is kinds.CONDUCTOR_OFF},
        bridges=tuple(
            Bridge(where_joined(network, meaning.target, meaning.conductors), each.what)
            for meaning, each in said
            if meaning.kind in {kinds.BRIDGE_IN, kinds.CONDUCTORS_JOINED}
        ),
        missing=tuple((meaning, each) for meaning, each in said if meaning.kind is kinds.BRIDGE_MISSING),
        unplugged=frozenset(unplugged),
        surge_out=frozenset(meaning.target for meaning, _ in said if meaning.kind is kinds.SURGE_OUT) | unplugged,
    )


def where_joined(network: Network, place: str, conductors: tuple[str, ...]) -> tuple[str, ...]:
    """The segments that a bridge between `conductors` joins: a board's bars, or the end of a circuit."""
    circuit = network.circuits.get(place)
    lines = lines_of_circuit(circuit) if circuit else network.lines
    names = [each for name in conductors for each in (lines if name == LINE else (name,))]
    found = [network.end(place, name) if circuit else network.bar(place, name) for name in names]
    return tuple(name for name in found if name in network.segments)
