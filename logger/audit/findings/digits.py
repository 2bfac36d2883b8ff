"""Last digits that no meter gives: figures that somebody made up favour some digits.

The last of three or more digits of readings that lie far apart is as good as uniform. Held against that: from 50
figures on by Pearson's chi-square (9 degrees of freedom), from 20 on by the exact binomial tail of the commonest digit,
ten times over. One instrument and function over all logbooks given is one test, and an honest one is accused once in
10 000 (`FALSE_ALARM`). Only one figure counts for each thing tested; figures close together, or of a display that does
not step by ones, are left out, since there last digits are not uniform by nature.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any, ClassVar, Final

from logger.audit.finding import Across, Extract, Finding, Weight, finding
from logger.logbook.entries import Entry, Kind
from logger.quantity import Function, Relation, in_base
from logger.reading import Origin
from logger.state import JobState
from logger.text import harmless

CODE: Final = "digits"

FALSE_ALARM: Final = 1e-4
"""How often an honest instrument is accused."""

CHI_SQUARE_FROM: Final = 50
EXACT_FROM: Final = 20
"""How many figures each test needs."""

STEPS_AT_LEAST: Final = 100
"""A figure of fewer steps has a last digit that says something about the quantity."""

SPREAD_STEPS: Final = 10
"""Half the figures must lie further apart than this many steps, so that their last digits go round."""

DISTINCT_SHARE: Final = 0.7
"""So many of the figures must differ."""

ROUNDED_SHARE: Final = 0.8
"""So many zeros and fives among keyed figures are rounding, not making up."""

FIGURES_AT_MOST: Final = 2_000
"""How many figures of one instrument and function are kept."""

Name = tuple[str, str, str, str]
"""Serial, origin, function, unit and place of the last digit."""

_Figures = dict[Name, list[tuple[int, str]]]


class Digits:
    """Keeps the figures of results, and of readings that were keyed."""

    WANTS: ClassVar[Collection[str]] = (Kind.RESULT, Kind.READING)

    def __init__(self) -> None:
        self._figures: dict[Name, dict[str, tuple[int, str]]] = {}

    def take(self, entry: Entry, data: Mapping[str, Any], job: JobState) -> None:
        """See one entry."""
        keyed = data.get("origin") == Origin.KEYED
        if (entry.kind == Kind.READING) is not keyed or data.get("relation") != Relation.EQUAL:
            return
        if entry.kind == Kind.READING and not data["accepted"]:
            return
        function = str(data["proof"]["function"]) if entry.kind == Kind.RESULT else str(data["function"])
        text = str(data["value"])
        step = Decimal(1).scaleb(-len(text.partition(".")[2]))
        if abs(Decimal(text)) < STEPS_AT_LEAST * step or not _steps_by_ones(job, data, function, step):
            return
        name = (str(data["serial"]), str(data["origin"]), function, f"{data['unit']} {step}")
        place = (
            str(entry.number) if keyed else f"{data['item']} {data['test']} {data.get('between')} {data.get('voltage')}"
        )
        own = self._figures.setdefault(name, {})
        if place in own or len(own) < FIGURES_AT_MOST:
            own[place] = (entry.number, text)

    def finish(self, _job: JobState) -> Iterator[Finding]:
        """Nothing of one logbook alone."""
        return iter(())

    def extract(self) -> Extract:
        """The figures."""
        return Extract(CODE, {name: list(own.values()) for name, own in self._figures.items()})


def _steps_by_ones(job: JobState, data: Mapping[str, Any], function: str, step: Decimal) -> bool:
    """Whether the display counts the last place by ones, as far as the meter said."""
    meter = job.meters.get(str(data["serial"]))
    ranges = [r for r in meter.ranges if r.function == Function(function)] if meter else []
    said = [in_base(r.resolution, r.unit) for r in ranges if r.resolution is not None]
    return not said or in_base(step, str(data["unit"])) in said


def across(kept: Sequence[_Figures]) -> Across:
    """Test each instrument and function over all logbooks; told of the logbook that holds most of its figures."""
    names = {name for figures in kept for name in figures}
    for name in sorted(names):
        own = [figures.get(name, []) for figures in kept]
        texts = [text for figures in own for _, text in figures]
        chance = improbability(texts)
        if chance is None or chance >= FALSE_ALARM:
            continue
        place = max(range(len(own)), key=lambda each: len(own[each]))
        yield place, _finding(name, texts, chance, [entry for entry, _ in own[place]])


def _finding(name: Name, texts: Sequence[str], chance: float, entries: Sequence[int]) -> Finding:
    counts = Counter(text[-1] for text in texts)
    common = ", ".join(f"{digit} {count} times" for digit, count in counts.most_common(3))
    keyed = name[1] == Origin.KEYED
    rounded = keyed and (counts["0"] + counts["5"]) >= ROUNDED_SHARE * len(texts)
    what = "that were keyed" if keyed else "that were taken"
    return finding(
        CODE,
        Weight.NOTE if rounded else Weight.DOUBT,
        entries,
        f"The last digits of {len(texts)} {name[2]} figures {what} with meter {harmless(name[0], 40)} are not as a "
        f"meter gives them ({common}; chance {chance:.1g})" + (": they were rounded." if rounded else "."),
        "Ask how they were read; have some of them measured again.",
    )


def improbability(texts: Sequence[str]) -> float | None:
    """How often honest figures would have last digits at least so uneven; None where they cannot be tested."""
    steps = sorted(int(text.replace(".", "").lstrip("-") or "0") for text in texts)
    count = len(steps)
    if count < EXACT_FROM or len(set(steps)) < DISTINCT_SHARE * count:
        return None
    if steps[3 * count // 4] - steps[count // 4] < SPREAD_STEPS:
        return None
    counts = Counter(step % 10 for step in steps)
    if count < CHI_SQUARE_FROM:
        return min(1.0, 10 * _binomial_tail(max(counts.values()), count, 0.1))
    expected = count / 10
    return chi_square_tail(sum((counts[digit] - expected) ** 2 / expected for digit in range(10)))


def chi_square_tail(statistic: float) -> float:
    """Chance of a chi-square of nine degrees of freedom at least so large."""
    half = statistic / 2
    terms = (math.pow(half, j - 0.5) / math.gamma(j + 0.5) for j in range(1, 5))
    return math.erfc(math.sqrt(half)) + math.exp(-half) * math.fsum(terms)


def _binomial_tail(least: int, count: int, share: float) -> float:
    """Chance of at least `least` out of `count`, each with chance `share`."""
    return sum(math.comb(count, k) * share**k * (1 - share) ** (count - k) for k in range(least, count + 1))
