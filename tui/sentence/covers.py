"""COVERS: how far the test reaches as the installation stands now, what it misses and because of what."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from logger.errors import PlanWrong
from logger.job.joins import Spoiler
from logger.job.model import Plan
from logger.job.network import Network, build
from logger.job.reach import reach_of
from logger.job.reach_model import Reach
from logger.job.setup import Alteration, SetUp, set_up
from logger.text import harmless
from tui.facts import Facts
from tui.view import Lines, Tone, Words, faint, plain, strong

DEVICES_TOLD: Final = 3
"""How many devices are named before the rest is counted."""


@dataclass(frozen=True, slots=True)
class Cover:
    """What COVERS says. `off`: what keeps the test off a part, as `S3 is off`; `spoiled`: what would falsify it."""

    lines: Lines
    off: tuple[str, ...] = ()
    spoiled: tuple[str, ...] = ()


class Covers:
    """Works the reach out anew only when selection, positions or alterations have changed."""

    def __init__(self) -> None:
        self._plan: Plan | None = None
        self._network: Network | None = None
        self._last: tuple[object, Cover] | None = None

    def cover(self, facts: Facts) -> Cover:
        """What the selected test covers now."""
        selection = facts.selection
        if selection is None:
            return Cover((faint("nothing yet"),))
        key = (selection, tuple(facts.positions.items()), facts.alterations)
        if self._last is None or self._last[0] != key:
            self._last = (key, self._work_out(facts))
        return self._last[1]

    def _work_out(self, facts: Facts) -> Cover:
        selection = facts.selection
        assert selection is not None
        network = self._drawn(facts.plan)
        if network is None:
            return Cover((faint("not known: the plan cannot be drawn as a network"),))
        found = reach_of(network, _setup(network, facts), selection.test, selection.between, selection.item)
        if found is None:
            return Cover((faint(_not_drawn(facts)),))
        off = tuple(dict.fromkeys(f"{harmless(d, 16)} is {harmless(p, 12)}" for d, p in _because(found)))
        spoiled = tuple(_short(each) for each in found.spoiled_by)
        return Cover(_lines(found, off), off, spoiled)

    def _drawn(self, plan: Plan) -> Network | None:
        if self._plan is not plan:
            self._plan = plan
            try:
                self._network = build(plan)
            except PlanWrong:
                self._network = None
        return self._network


def _setup(network: Network, facts: Facts) -> SetUp:
    alterations = [Alteration(a.what, a.to, a.why, a.at) for a in facts.alterations]
    return set_up(network, facts.positions, alterations)


def _because(found: Reach) -> Iterable[tuple[str, str]]:
    return ((because.device, because.position) for each in found.unreached for because in each.because)


def _lines(found: Reach, off: tuple[str, ...]) -> Lines:
    whole = len(found.reached) + len(found.unreached)
    if found.unreached:
        why = ", ".join(off[:DEVICES_TOLD]) + (
            f" and {len(off) - DEVICES_TOLD} more" if len(off) > DEVICES_TOLD else ""
        )
        tail = f" · not the rest: {why}" if why else " · not the rest"
        first = (Words(f"{len(found.reached)} of {whole} runs"), *strong(tail, Tone.WARN))
    else:
        first = plain("its one run" if whole == 1 else f"all {whole} runs")
    if not found.spoiled_by:
        return (first,)
    more = f" (and {len(found.spoiled_by) - 1} more)" if len(found.spoiled_by) > 1 else ""
    return (first, strong(f"spoiled: {_short(found.spoiled_by[0])}{more}", Tone.WARN))


def _short(spoiler: Spoiler) -> str:
    """Why a reading would not mean what it seems to: the first half of its sentence, which is enough to act on."""
    return harmless(spoiler.why.partition(";")[0], 100)


def _not_drawn(facts: Facts) -> str:
    if facts.judged:
        return "what you look at"
    return "what the leads are on: this item is not drawn"
