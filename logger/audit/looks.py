"""All looks, and the walk that gives each the entries it wants. One kind of finding a file in `findings`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from logger.audit.finding import AcrossLook, Compare, Extract, Finding, Look, Weight, finding
from logger.audit.findings import (
    brackets,
    calibration,
    clocks,
    digits,
    drift,
    keyed,
    losses,
    overrides,
    pace,
    physics,
    repeats,
    restoring,
    sessions,
    shared,
    takes,
    unreached,
    work,
)
from logger.logbook.entries import Entry, Kind
from logger.state import JobState
from logger.text import harmless

LOOKS: Final[tuple[type[Look], ...]] = (
    losses.Losses,
    sessions.Sessions,
    brackets.Brackets,
    restoring.Restoring,
    work.Work,
    unreached.Unreached,
    physics.Physics,
    takes.Takes,
    repeats.Repeats,
    shared.Shared,
    digits.Digits,
    pace.Pace,
    clocks.Clocks,
    calibration.Calibration,
    drift.Drift,
    keyed.Keyed,
    overrides.Overrides,
)
"""Every look, in the order in which its findings are told."""

COMPARE: Final[dict[str, Compare]] = {
    repeats.CODE: repeats.across,
    shared.CODE: shared.across,
    digits.CODE: digits.across,
    drift.CODE: drift.across,
}
"""Those that look at several logbooks together."""

_FOLDED: Final = frozenset(JobState.KINDS)
_HEAVIEST_FIRST: Final = {Weight.BREACH: 0, Weight.DOUBT: 1, Weight.NOTE: 2}


class Looking:
    """Runs looks as one walker, beside others, over one reading of the logbook.

    Args:
        raw: those that want raw bytes, and no others; False: all others; None: all.
    """

    def __init__(self, raw: bool | None = None) -> None:
        self.job = JobState()
        """What the entries seen so far say."""
        self._looks = [look() for look in LOOKS if raw is None or (Kind.RAW in look.WANTS) is raw]
        self._wanted: dict[str, list[Look]] = {}
        for look in self._looks:
            for kind in look.WANTS:
                self._wanted.setdefault(kind, []).append(look)
        self._broken: dict[Look, int] = {}

    def take(self, entry: Entry, data: Mapping[str, Any]) -> None:
        """See one entry."""
        if entry.kind in _FOLDED:
            try:
                self.job.apply(entry.number, entry.at, entry.kind, data, entry.number)
            except Exception:  # what cannot be taken in is told by re-derivation, with its place
                return
        for look in self._wanted.get(entry.kind, ()):
            try:
                look.take(entry, data, self.job)
            except Exception:  # likewise; what this look then finds may lack something, and it says so
                self._broken.setdefault(look, entry.number)

    def finish(self) -> None:
        """There are no more."""

    def findings(self) -> list[Finding]:
        """What was found in this logbook."""
        found = [each for look in self._looks for each in self._found_by(look)]
        return sorted(found, key=lambda each: _HEAVIEST_FIRST[each.weight])

    def _found_by(self, look: Look) -> Iterator[Finding]:
        try:
            yield from look.finish(self.job)
        except Exception as error:  # a forged log may bring any look to fall, and must not bring down the others
            said = harmless(f"{type(error).__name__}: {error}", 120)
            name = type(look).__name__.lower()
            sentence = f"What an audit asks about {name} could not be looked at in this logbook ({said})."
            yield finding(name, Weight.DOUBT, [], sentence, "Read its entries by hand, and ask how they came about.")
        if look in self._broken:
            name = type(look).__name__.lower()
            sentence = (
                f"Entry {self._broken[look]} could not be looked at for {name}: it is not as a recorder writes it."
            )
            yield finding(name, Weight.DOUBT, [self._broken[look]], sentence, "See what re-derivation says of it.")

    def extracts(self) -> list[Extract]:
        """What is kept of this logbook to be compared with others."""
        return [look.extract() for look in self._looks if isinstance(look, AcrossLook)]


def compare(extracts: Sequence[Sequence[Extract]]) -> Iterator[tuple[int, Finding]]:
    """What can only be seen over several logbooks, or over all results of an instrument at once.

    Args:
        extracts: those of each logbook, in the order given.
    """
    for code, across in COMPARE.items():
        kept = [each.kept for own in extracts for each in own if each.code == code]
        places = [place for place, own in enumerate(extracts) if any(each.code == code for each in own)]
        for place, found in across(kept):
            yield places[place], found
