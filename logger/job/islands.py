"""Which runs are joined as the devices stand now, and why others are not: islands of conductor in a network.

An island is a set of runs that conduct to each other through closed contacts alone: conductor by conductor, so that
line, neutral and earth never share one. What joins islands across conductors (links, loads, bridges) is in `joins`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from logger.job.model import DeviceKind
from logger.job.network import Contact, Network
from logger.job.setup import Standing


@dataclass(frozen=True, slots=True, order=True)
class Because:
    """A device that is open, and how it stands; or what was altered, and to what."""

    device: str
    position: str


@dataclass(frozen=True, slots=True)
class Gap:
    """An open contact between two islands."""

    one: int
    other: int
    because: Because


@dataclass(frozen=True, slots=True)
class Islands:
    """The islands of a network as it stands.

    Attributes:
        of: island by segment (and by the supply's own ends, `supply/L` …).
        gaps: open contacts between two different islands.
    """

    of: Mapping[str, int]
    gaps: tuple[Gap, ...]

    def containing(self, segments: Iterable[str]) -> frozenset[int]:
        """The islands that hold any of `segments`."""
        return frozenset(self.of[name] for name in segments if name in self.of)


def islands(network: Network, standing: Standing) -> Islands:
    """The islands of `network`. Linear in the number of contacts."""
    parents: dict[str, str] = {name: name for name in network.segments}
    open_contacts: list[tuple[Contact, Because]] = []
    for contact in network.contacts:
        because = _opened_by(contact, standing)
        for end in (contact.inner, contact.outer):
            parents.setdefault(end, end)
        if because is None:
            parents[_root(parents, contact.outer)] = _root(parents, contact.inner)
        else:
            open_contacts.append((contact, because))
    numbers: dict[str, int] = {}
    of = {name: numbers.setdefault(_root(parents, name), len(numbers)) for name in parents}
    gaps = (
        Gap(of[contact.inner], of[contact.outer], because)
        for contact, because in open_contacts
        if of[contact.inner] != of[contact.outer] and not _only_swaps(network, contact)
    )
    return Islands(of, tuple(gaps))


def is_closed(contact: Contact, standing: Standing) -> bool:
    """Whether two runs meet at `contact` as things stand."""
    return _opened_by(contact, standing) is None


def reasons(
    found: Islands, sources: Iterable[int], bridged: Iterable[tuple[int, int]]
) -> dict[int, frozenset[Because]]:
    """For every island that hangs on the network: what keeps it from `sources`; empty for those that are not kept.

    The reason is the least there is: all open contacts on those ways from the sources that cross the fewest of them.
    An island that no way leads to is missing from the answer.
    """
    joined = _joined(found, bridged)
    neighbours: dict[int, list[tuple[int, Because]]] = {}
    for gap in found.gaps:
        one, other = joined[gap.one], joined[gap.other]
        if one != other:
            neighbours.setdefault(one, []).append((other, gap.because))
            neighbours.setdefault(other, []).append((one, gap.because))
    settled: dict[int, frozenset[Because]] = {joined[source]: frozenset() for source in sources}
    level = list(settled)
    while level:
        reached: dict[int, frozenset[Because]] = {}
        for island in level:
            for other, because in neighbours.get(island, ()):
                if other not in settled:
                    reached[other] = reached.get(other, frozenset()) | settled[island] | {because}
        settled.update(reached)
        level = list(reached)
    return {island: settled[root] for island, root in joined.items() if root in settled}


def _joined(found: Islands, bridged: Iterable[tuple[int, int]]) -> dict[int, int]:
    """Islands that bridges make one, by their common name."""
    names = {island: island for island in found.of.values()}
    for one, other in bridged:
        old, new = names[other], names[one]
        names = {island: new if name == old else name for island, name in names.items()}
    return names


def _opened_by(contact: Contact, standing: Standing) -> Because | None:
    """What keeps the two runs of a contact apart; None where they meet."""
    off = standing.off.get(contact.outer)
    if off is not None:
        return Because(off.what, off.to)
    if contact.device is None or contact.closed_in is None:
        return None
    position = standing.positions.get(contact.device)
    if position is None:  # a transformer: nothing passes, however anything stands
        return Because(contact.device, "apart")
    return None if position in contact.closed_in else Because(contact.device, position)


def _only_swaps(network: Network, contact: Contact) -> bool:
    """An intermediate passes both strappers in either position: it swaps them and never cuts anything off."""
    device = network.devices.get(contact.device or "")
    return device is not None and device.kind is DeviceKind.INTERMEDIATE


def _root(parents: dict[str, str], name: str) -> str:
    while parents[name] != name:
        parents[name] = parents[parents[name]]
        name = parents[name]
    return name
