"""The same figures in the same order, at two items or in two jobs: a run of readings copied, or played again.

How surprising a run is, is counted in bits: for each figure, how rarely this meter went on from the one before to it,
by its own readings so far (a Markov model of first order, add-half estimates). A figure that stands still or climbs as
it always does is worth next to nothing; a meter's noise is worth one to three bits a reading. Runs of 64 readings are
held against each other, and only such as are worth 80 bits in both places are told: among a million readings the
chance of one honest coincidence is below one in a hundred million under that model.

Of results (where a record was copied by hand) runs of at least eight in the same order in two logbooks are held against
how often each figure occurs; of the same thing tested twice only figures with noise in them count.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from hashlib import blake2b
from typing import Any, ClassVar, Final

from logger.audit.finding import Across, Extract, Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.quantity import Relation
from logger.state import JobState
from logger.text import harmless

CODE: Final = "repeats"

RUN: Final = 64
"""Readings in a run that is compared: six seconds at ten a second."""

BITS: Final = 80.0
"""How surprising a run must be in both places."""

ANCHOR: Final = 8
"""One run in so many is kept, chosen by its figures, so that two copies choose the same."""

RUNS_AT_MOST: Final = 20_000
"""How many runs of one logbook are kept; beyond that every other one is dropped, by its figures again."""

CONTEXTS_AT_MOST: Final = 4_096
"""How many figures of one meter and function the model knows."""

RESULT_RUN: Final = 8
"""Results in a row that are compared."""

RESULT_FALSE_ALARM: Final = 1e-6
"""How often two honest logbooks are told to hold the same results."""

NOISY_STEPS: Final = 100
"""A figure of so many steps does not come out the same when the same thing is measured again."""

NOISY_SHARE: Final = 0.3
"""How often it does all the same, by chance."""

RESULTS_AT_MOST: Final = 2_000
"""How many results of one logbook are compared."""


@dataclass(slots=True)
class _Stream:
    """The figures of one meter on one function."""

    counts: dict[str, dict[str, int]] = field(default_factory=dict)
    last: str = ""
    figures: deque[str] = field(default_factory=lambda: deque(maxlen=RUN))
    bits: deque[float] = field(default_factory=lambda: deque(maxlen=RUN))
    worth: float = 0.0
    position: int = 0

    def surprise(self, figure: str) -> float:
        """Bits that this figure is worth after the last one; and learn it."""
        known = self.counts.get(self.last)
        if known is None:
            if len(self.counts) >= CONTEXTS_AT_MOST:
                self.last = figure
                return 0.0
            known = self.counts[self.last] = {}
        total = sum(known.values())
        bits = -math.log2((known.get(figure, 0) + 0.5) / (total + 0.5 * (len(known) + 1))) if total else 0.0
        known[figure] = known.get(figure, 0) + 1
        self.last = figure
        return bits

    def add(self, figure: str) -> None:
        """The next figure."""
        bits = self.surprise(figure)
        if len(self.bits) == RUN:
            self.worth -= self.bits[0]
        self.figures.append(figure)
        self.bits.append(bits)
        self.worth += bits
        self.position += 1


@dataclass(frozen=True, slots=True)
class _Run:
    entry: int
    item: str
    stream: tuple[str, str]
    position: int


class Repeats:
    """Keeps runs of readings and of results."""

    WANTS: ClassVar[Collection[str]] = (Kind.READING, Kind.RESULT)

    def __init__(self) -> None:
        self._streams: dict[tuple[str, str], _Stream] = {}
        self._runs: dict[bytes, _Run] = {}
        self._keep_mask = 0
        self._found: list[tuple[_Run, _Run]] = []
        self._results: list[tuple[str, str, str, float, int]] = []

    def take(self, entry: Entry, data: Mapping[str, Any], _job: JobState) -> None:
        """See one entry."""
        if entry.kind == Kind.RESULT:
            self._result(entry, data)
            return
        if "repeat" in data["reasons"]:
            return
        name = (str(data["serial"]), str(data["function"]))
        stream = self._streams.setdefault(name, _Stream())
        stream.add(f"{data['relation']}{data['value']}{data['unit']}")
        if stream.worth >= BITS and len(stream.figures) == RUN:
            self._run(entry, str(data["item"]), name, stream)

    def _run(self, entry: Entry, item: str, name: tuple[str, str], stream: _Stream) -> None:
        digest = blake2b("\n".join(stream.figures).encode(), digest_size=12).digest()
        mark = int.from_bytes(digest[:4], "big")
        if mark % ANCHOR or (mark // ANCHOR) & self._keep_mask:
            return
        run = _Run(entry.number, item, name, stream.position)
        earlier = self._runs.setdefault(digest, run)
        apart = earlier.stream != name or run.position - earlier.position >= RUN
        if earlier is not run and apart and len(self._found) < RESULTS_AT_MOST:
            self._found.append((earlier, run))
        if len(self._runs) > RUNS_AT_MOST:
            self._keep_mask = self._keep_mask * 2 + 1
            kept = (
                (d, r) for d, r in self._runs.items() if not int.from_bytes(d[:4], "big") // ANCHOR & self._keep_mask
            )
            self._runs = dict(kept)

    def _result(self, entry: Entry, data: Mapping[str, Any]) -> None:
        if data.get("unit") is None or len(self._results) >= RESULTS_AT_MOST:
            return
        text = str(data["value"])
        step = Decimal(1).scaleb(-len(text.partition(".")[2]))
        noisy = data["relation"] == Relation.EQUAL and abs(Decimal(text)) >= NOISY_STEPS * step
        what = f"{data['item']} {data['test']} {data.get('between')} {data.get('voltage')}"
        figure = f"{data['test']} {data['relation']} {text} {data['unit']}"
        self._results.append((what, figure, str(data["item"]), NOISY_SHARE if noisy else 1.0, entry.number))

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """What one logbook alone shows."""
        if self._found:
            earlier, run = self._found[0]
            where = "at the same place" if earlier.item == run.item else f"at {_at(earlier)} and at {_at(run)}"
            yield finding(
                CODE,
                Weight.DOUBT,
                [each.entry for pair in self._found for each in pair],
                f"{RUN} and more readings in a row are the same figures in the same order twice, {where} (up to "
                f"entries {earlier.entry} and {run.entry}): no meter repeats its noise.",
                "Ask what was on the leads, and whether a capture was played again; take these results again.",
            )

    def extract(self) -> Extract:
        """Runs and results."""
        return Extract(CODE, ({digest: run.entry for digest, run in self._runs.items()}, self._results))


def _at(run: _Run) -> str:
    return harmless(run.item, 40) if run.item != "None" else "no item"


_Kept = tuple[Mapping[bytes, int], Sequence[tuple[str, str, str, float, int]]]


def across(kept: Sequence[_Kept]) -> Across:
    """Runs that two logbooks have in common; told of the later one given."""
    yield from _runs_in_two([runs for runs, _ in kept])
    yield from _results_in_two([results for _, results in kept])


def _runs_in_two(kept: Sequence[Mapping[bytes, int]]) -> Across:
    first: dict[bytes, int] = {}
    found: dict[tuple[int, int], list[int]] = {}
    for place, runs in enumerate(kept):
        for digest, entry in runs.items():
            before = first.setdefault(digest, place)
            if before != place:
                found.setdefault((before, place), []).append(entry)
    for (before, place), entries in found.items():
        yield (
            place,
            finding(
                CODE,
                Weight.DOUBT,
                entries,
                f"{RUN} and more readings in a row are the same figures in the same order as in logbook {before + 1} "
                "of those given: no meter repeats its noise.",
                "Find out which of the two was measured; take the other again.",
            ),
        )


def _results_in_two(kept: Sequence[Sequence[tuple[str, str, str, float, int]]]) -> Across:
    shares = _shares(kept)
    first: dict[tuple[str, ...], tuple[int, int]] = {}
    told: set[tuple[int, int]] = set()
    for place, results in enumerate(kept):
        for at in range(len(results) - RESULT_RUN + 1):
            figures = tuple(result[1] for result in results[at : at + RESULT_RUN])
            before = first.setdefault(figures, (place, at))
            if before[0] == place or (before[0], place) in told:
                continue
            length, chance = _common(kept[before[0]][before[1] :], results[at:], shares)
            pairs = sum(len(each) for each in kept) ** 2
            if chance * pairs < RESULT_FALSE_ALARM:
                told.add((before[0], place))
                yield place, _same_results(before[0], results[at : at + length], chance * pairs)


def _shares(kept: Sequence[Sequence[tuple[str, str, str, float, int]]]) -> dict[str, float]:
    """How often each figure occurs among all results."""
    counts: dict[str, int] = {}
    for results in kept:
        for _, figure, _, _, _ in results:
            counts[figure] = counts.get(figure, 0) + 1
    total = sum(counts.values())
    return {figure: count / total for figure, count in counts.items()}


def _common(
    one: Sequence[tuple[str, str, str, float, int]],
    other: Sequence[tuple[str, str, str, float, int]],
    shares: Mapping[str, float],
) -> tuple[int, float]:
    """How far two rows of results agree, and how probable that is for honest ones."""
    length, chance = 0, 1.0
    for a, b in zip(one, other, strict=False):
        if a[1] != b[1]:
            break
        length += 1
        chance *= b[3] if a[0] == b[0] else shares[b[1]]
    return length, chance


def _same_results(before: int, run: Sequence[tuple[str, str, str, float, int]], chance: float) -> Finding:
    return finding(
        CODE,
        Weight.DOUBT,
        [result[4] for result in run],
        f"{len(run)} results in a row are the same figures in the same order as in logbook {before + 1} of those given "
        f"(chance {chance:.1g}).",
        "Find out which of the two was measured; take the other again.",
    )
