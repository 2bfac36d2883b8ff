"""COVERS: how far the test reaches as the installation stands now, what it misses and because of what."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from logger.job.conductors import is_line
from logger.job.network import Network
from logger.job.network_of import network_of
from logger.job.reach_model import Reach
from logger.job.wiring import first_run_outside
from logger.text import harmless
from tui.facts import Facts
from tui.fit import BODY_COLUMNS
from tui.sentence.spoilt import Spoilt, spoilt_by
from tui.sentence.standing_now import reach_now
from tui.view import Lines, Tone, Words, faint, plain, strong

TOLD: Final = 2
"""How many items or reasons are named before the rest is counted: two rows at most; the drawing has them all."""

PARTED: Final = frozenset({"off", "open", "out"})
"""Positions in which a device conducts nowhere; any other leads one way or the other."""

SPOILED_CHARACTERS: Final = 2 * BODY_COLUMNS - 12
"""Longest words for all that spoils, characters: two rows, less what their ends leave empty."""


@dataclass(frozen=True, slots=True)
class Cover:
    """What COVERS says.

    Attributes:
        off: what keeps the test off a part that no result of this test has reached either, as `S3 is off`.
        off_device: the first device of those; `changeover` all of them lead two ways, and both must be tested.
        others: circuits that hang on the same lead by their line, behind breakers that are on.
        spoiled: what would falsify it, the one that explains a reading near zero first.
        reached: the runs that a reading taken now says something about; `held` all that hang on either lead.
    """

    lines: Lines
    off: tuple[str, ...] = ()
    off_device: str = ""
    changeover: bool = False
    others: tuple[str, ...] = ()
    spoiled: tuple[Spoilt, ...] = ()
    reached: frozenset[str] = frozenset()
    held: frozenset[str] = frozenset()


class Covers:
    """Works the reach out anew only when selection, positions or alterations have changed."""

    def __init__(self) -> None:
        self._last: tuple[object, Cover] | None = None

    def cover(self, facts: Facts) -> Cover:
        """What the selected test covers now."""
        selection = facts.selection
        if selection is None:
            return Cover((faint("nothing yet"),))
        covered = facts.work.covered.get((selection.item, str(selection.test), selection.between), frozenset())
        key = (selection, tuple(facts.positions.items()), facts.alterations, covered)
        if self._last is None or self._last[0] != key:
            self._last = (key, self._work_out(facts, covered))
        return self._last[1]

    def _work_out(self, facts: Facts, covered: frozenset[str]) -> Cover:
        network = network_of(facts.plan)
        if network is None:
            return Cover((faint("not known: the plan cannot be drawn as a network"),))
        found = reach_now(network, facts)
        if found is None:
            return Cover((faint(_not_drawn(facts)),))
        because = tuple(dict.fromkeys(_because(found, covered)))
        off = tuple(f"{harmless(device, 16)} is {harmless(position, 12)}" for device, position in because)
        spoiled = spoilt_by(facts, found.spoiled_by)
        lines = _lines(found, _missed(network, found), spoiled)
        return Cover(
            lines,
            off,
            off_device=because[0][0] if because else "",
            changeover=bool(because) and not any(position in PARTED for _, position in because),
            others=_others(network, found),
            spoiled=spoiled,
            reached=frozenset(found.reached),
            held=frozenset((*found.plus, *found.minus)),
        )


def _others(network: Network, found: Reach) -> tuple[str, ...]:
    """Circuits whose line is in the reading though another one was asked for."""
    if found.at not in network.circuits:
        return ()
    runs = (network.segments[name] for name in (*found.plus, *found.minus))
    beyond = (run for run in runs if run.item in network.circuits and is_line(run.conductor))
    named = (run.item for run in beyond if run.run >= first_run_outside(network.circuits[run.item].path))
    return tuple(dict.fromkeys(name for name in named if name != found.at))


def _because(found: Reach, covered: frozenset[str]) -> Iterable[tuple[str, str]]:
    missed = (each for each in found.unreached if each.segment not in covered)
    return ((because.device, because.position) for each in missed for because in each.because)


def _missed(network: Network, found: Reach) -> tuple[str, ...]:
    """What is not reached, by what keeps the test off: `C3 behind S3, which is off`."""
    behind: dict[str, dict[str, None]] = {}
    for each in found.unreached:
        item = harmless(network.segments[each.segment].item, 16)
        for name, position in [(b.device, b.position) for b in each.because] or [("", "")]:
            device = f" behind {harmless(name, 16)}, which is {harmless(position, 12)}" if name else ""
            behind.setdefault(device, {})[item] = None
    return tuple(f"{_some(list(items), ', ')}{device}" for device, items in behind.items())


def _some(names: Sequence[str], between: str, and_more: str = " and") -> str:
    """The first few, and how many more there are."""
    rest = len(names) - TOLD
    return between.join(names[:TOLD]) + (f"{and_more} {rest} more" if rest > 0 else "")


def _lines(found: Reach, missed: tuple[str, ...], spoiled: tuple[Spoilt, ...]) -> Lines:
    whole = len(found.reached) + len(found.unreached)
    if missed:
        tail = f" · not {_some(missed, '; not ', '; and')}"
        first = (Words(f"{len(found.reached)} of {whole} runs"), *strong(tail, Tone.WARN))
    else:
        first = plain("its one run" if whole == 1 else f"all {whole} runs")
    if not spoiled:
        return (first,)
    return (first, strong(f"spoiled: {_all_that_spoils(spoiled)}", Tone.WARN))


def _all_that_spoils(spoiled: tuple[Spoilt, ...]) -> str:
    """All of it where it fits in two rows; else what fits, and how many more."""
    words = [each.words for each in spoiled]
    told = words[:1]
    for word in words[1:]:
        rest = len(words) - len(told) - 1
        if len("; ".join([*told, word])) + (len(f"; and {rest} more") if rest else 0) > SPOILED_CHARACTERS:
            break
        told.append(word)
    more = len(words) - len(told)
    return "; ".join(told) + (f"; and {more} more" if more else "")


def _not_drawn(facts: Facts) -> str:
    if facts.judged:
        return "what you look at"
    return "what the leads are on: this item is not drawn"
