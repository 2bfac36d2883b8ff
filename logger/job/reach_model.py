"""What a test reaches, as a value: which run is on which lead, which is not and why, what spoils the reading."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from logger.job.conductors import STRAPPERS, Between, is_line
from logger.job.islands import Because
from logger.job.joins import Spoiler
from logger.job.model import Circuit
from logger.job.network import Network, Segment
from logger.quantity import LIVE_TESTS, Test

SHARE_DIGITS: Final = 6
"""Places after the point of a share: a run in a million is still seen."""


@dataclass(frozen=True, slots=True)
class Unreached:
    """A run that a test does not reach, and the devices (or alterations) that keep it off."""

    segment: str
    because: tuple[Because, ...]


@dataclass(frozen=True, slots=True)
class Reach:
    """What one test reaches, as the installation stands.

    Attributes:
        test, between, at: which test, between what, and the point of connection (a board or an item).
        plus, minus: the runs on either lead, in the order of the plan; a test between more than two puts the first
            conductor on plus and the rest on minus.
        reached: the runs that the reading says something about: of a board the whole installation as far as it is
            connected, of a circuit or earth its own (and, for live tests, those on the way to it).
        unreached: the other runs that belong to the question.
        spoiled_by: why the reading would not mean what it seems to; empty where nothing is known to spoil it.
        notes: what is taken for granted, and what is worth knowing; sentences.
        share_count, share_length: 0 to 1; runs without a planned length count as the mean of those with one, and all
            count alike where no length is planned.
    """

    test: Test
    between: str
    at: str
    plus: tuple[str, ...]
    minus: tuple[str, ...]
    reached: tuple[str, ...]
    unreached: tuple[Unreached, ...]
    spoiled_by: tuple[Spoiler, ...]
    notes: tuple[str, ...]
    share_count: float
    share_length: float

    def body(self) -> dict[str, object]:
        """As JSON (interface, section 7)."""
        return {
            "test": self.test.value,
            "between": self.between,
            "at": self.at,
            "leads": {"+": list(self.plus), "-": list(self.minus)},
            "reached": list(self.reached),
            "unreached": [
                {
                    "segment": each.segment,
                    "because": [{"device": b.device, "position": b.position} for b in each.because],
                }
                for each in self.unreached
            ],
            "spoiled_by": [
                {"what": each.what, "why": each.why, "reads_like": each.reads_like} for each in self.spoiled_by
            ],
            "share": {"count": self.share_count, "length": self.share_length},
        }


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: a test, between what, where; `lines` are the line conductors that it concerns."""

    test: Test
    between: Between
    at: str
    lines: tuple[str, ...]

    @property
    def is_live(self) -> bool:
        """Whether the supply must be on for it."""
        return self.test in LIVE_TESTS

    def concerns(self, network: Network, segment: Segment) -> bool:
        """Whether a run carries one of the conductors that are asked about."""
        if not is_line(segment.conductor):
            return segment.conductor in self.between.conductors
        if segment.conductor not in STRAPPERS:
            return segment.conductor in self.lines
        circuit = network.circuits.get(segment.item)
        return circuit is not None and circuit.phase in self.lines


def shares(reached: Collection[str], scope: Sequence[Segment]) -> tuple[float, float]:
    """How much of `scope` is reached, by count and by length; 1 where the scope is empty."""
    if not scope:
        return 1.0, 1.0
    known = [segment.length_m for segment in scope if segment.length_m]
    mean = sum(known, Decimal(0)) / len(known) if known else Decimal(1)
    weights = {s.id: mean if s.length_m is None or not known else s.length_m for s in scope}
    held = frozenset(reached)
    got = [segment for segment in scope if segment.id in held]
    whole = sum(weights.values(), Decimal(0))
    by_count = len(got) / len(scope)
    by_length = float(sum((weights[s.id] for s in got), Decimal(0)) / whole) if whole else by_count
    return round(by_count, SHARE_DIGITS), round(by_length, SHARE_DIGITS)


def ordered(network: Network, because: Collection[Because]) -> tuple[Because, ...]:
    """Reasons in the order in which the plan names the devices, alterations last."""
    places = {device: place for place, device in enumerate(network.devices)}
    return tuple(sorted(because, key=lambda each: (places.get(each.device, len(places)), each)))


def circuit_of(network: Network, segment: str) -> Circuit | None:
    """The circuit that a run belongs to; None for those of boards and earths."""
    return network.circuits.get(network.segments[segment].item)
