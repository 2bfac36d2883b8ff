"""A network of conductances, and what it comes to between a few of its nodes.

The same arithmetic serves resistors (siemens), capacitors (farads) and loop impedances. Nodes that are not asked
for are eliminated one by one (star to mesh). That only multiplies, adds and divides positive numbers, never
subtracts, so that milliohms and teraohms keep their digits side by side.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf

Mesh = dict[str, dict[str, float]]


class Network:
    """Nodes with names, conductances between them.

    Every conductance is more than 0; one that is infinite joins its nodes into one.
    """

    def __init__(self) -> None:
        self._mesh: Mesh = {}
        self._stands_for: dict[str, str] = {}

    def root(self, node: str) -> str:
        """The node that stands for `node` after all joins."""
        while (other := self._stands_for.get(node)) is not None:
            node = other
        return node

    def connect(self, a: str, b: str, conductance: float) -> None:
        """Put `conductance` between two nodes, beside what is there. 0 or less puts nothing; infinite joins them."""
        a, b = self.root(a), self.root(b)
        if a == b or conductance <= 0:
            return
        if conductance == inf:
            self.join((a, b))
            return
        _add(self._mesh, a, b, conductance)

    def join(self, nodes: Iterable[str]) -> None:
        """Make one node of many."""
        first, *others = list(dict.fromkeys(self.root(node) for node in nodes))
        for other in others:
            self._stands_for[other] = first
            for neighbour, conductance in self._mesh.pop(other, {}).items():
                del self._mesh[neighbour][other]
                if neighbour != first:
                    _add(self._mesh, first, neighbour, conductance)

    def reduced(self, keep: Sequence[str]) -> Mesh:
        """The equivalent mesh between the nodes `keep` alone, by the names of their roots."""
        kept = {self.root(node) for node in keep}
        mesh = {node: dict(neighbours) for node, neighbours in self._mesh.items()}
        rest = set(mesh) - kept
        while rest:
            node = min(rest, key=lambda name: (len(mesh[name]), name))
            rest.remove(node)
            _eliminate(mesh, node)
        return {node: mesh.get(node, {}) for node in kept}

    def conductance(self, a: str, b: str) -> float:
        """What stands between two nodes in all: 0 if nothing does, infinite if they are one."""
        a, b = self.root(a), self.root(b)
        return inf if a == b else self.reduced((a, b))[a].get(b, 0.0)


def _add(mesh: Mesh, a: str, b: str, conductance: float) -> None:
    mesh.setdefault(a, {})[b] = mesh.get(a, {}).get(b, 0.0) + conductance
    mesh.setdefault(b, {})[a] = mesh[a][b]


def _eliminate(mesh: Mesh, node: str) -> None:
    """Take `node` out: its star becomes a mesh between its neighbours."""
    star = list(mesh.pop(node).items())
    total = sum(conductance for _, conductance in star)
    for place, (a, to_a) in enumerate(star):
        del mesh[a][node]
        for b, to_b in star[place + 1 :]:
            _add(mesh, a, b, to_a * (to_b / total))
