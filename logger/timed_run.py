"""Timed runs of insulation: what was read 30, 60 and 600 s after the voltage came on, and the ratios of these.

Times are the meter's own, so that readings sent again from its memory after a drop-out fall into place whenever they
come. A mark that no reading stands near is missed and said to be, never guessed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

from logger.quantity import Displayed, Relation
from logger.rules.physics.insulation import absorption

MARKS_S: Final = (30, 60, 600)
"""Seconds after the start at which a reading counts."""

MARK_WORDS: Final[dict[int, str]] = {30: "30 s", 60: "60 s", 600: "10 min"}
"""Each as people say it."""

PI_UP_TO_OHM: Final = Decimal(5_000_000_000)
"""Above this at 60 s a polarisation index says little, ohms (5000 MΩ: known from the trade, for rotating machines)."""

# How far from a mark a reading may stand, seconds: insulation changes by less than a percent in that time.
NEAR_S: Final[dict[int, float]] = {30: 1.0, 60: 1.0, 600: 5.0}

LAST_MARK_S: Final = MARKS_S[-1] + NEAR_S[MARKS_S[-1]]
"""Later than this a reading counts for no mark, seconds."""


@dataclass(frozen=True, slots=True)
class Mark:
    """The reading that counts for a mark: how far from it, what, and the number of its entry (0: not said)."""

    off_s: float
    value: Displayed
    entry: int = 0

    @property
    def is_a_figure(self) -> bool:
        """Measured, and more than nothing: a ratio can be made of it."""
        return self.value.relation is Relation.EQUAL and self.value.number > 0


@dataclass(frozen=True, slots=True)
class Ratios:
    """What a run gives so far.

    Attributes:
        dar, pi: ratios; None while, or because, one of their readings is not there.
        missing: why, for a person; empty when both are there.
        mind: what makes a ratio say little; empty where nothing does.
    """

    dar: Decimal | None
    pi: Decimal | None
    missing: str = ""
    mind: str = ""


@dataclass
class TimedRun:
    """One run. `start_ms` and every reading's time are the meter's own milliseconds since its boot."""

    start_ms: int
    marks: dict[int, Mark] = field(default_factory=dict)
    latest_s: float = 0.0

    def add(self, meter_ms: int, value: Displayed, entry: int = 0) -> None:
        """Take in a reading, in whatever order they come; it counts for the mark it stands nearest to."""
        at_s = (meter_ms - self.start_ms) / 1000
        self.goes_on(meter_ms)
        if at_s > LAST_MARK_S:
            return
        for mark_s in MARKS_S:
            off_s = abs(at_s - mark_s)
            held = self.marks.get(mark_s)
            if off_s <= NEAR_S[mark_s] and (held is None or off_s < held.off_s):
                self.marks[mark_s] = Mark(off_s, value, entry)

    def goes_on(self, meter_ms: int) -> None:
        """The voltage is still on at that time; whatever is read then does not count."""
        self.latest_s = max(self.latest_s, (meter_ms - self.start_ms) / 1000)

    def next_mark_s(self) -> float | None:
        """Seconds until the next mark; None when all have passed."""
        return next((mark_s - self.latest_s for mark_s in MARKS_S if mark_s > self.latest_s), None)

    def ratios(self, *, over: bool = False) -> Ratios:
        """DAR and PI as far as the run has come. `over`: it goes no further."""
        missing = [why for mark_s in MARKS_S if (why := self._why_missing(mark_s, over=over))]
        r30, r60, r600 = (self._number(mark_s) for mark_s in MARKS_S)
        dar = None if r30 is None or r60 is None else absorption(r30, r60).dar
        pi = None if r60 is None or r600 is None else absorption(r60, r60, r600).pi
        high = pi is not None and r60 is not None and r60 > PI_UP_TO_OHM
        mind = f"above {PI_UP_TO_OHM.scaleb(-6):f} MOhm at 60 s a polarisation index says little" if high else ""
        return Ratios(dar, pi, "; ".join(missing), mind)

    def _number(self, mark_s: int) -> Decimal | None:
        mark = self.marks.get(mark_s)
        return mark.value.base if mark is not None and mark.is_a_figure else None

    def _why_missing(self, mark_s: int, *, over: bool) -> str:
        mark, said = self.marks.get(mark_s), MARK_WORDS[mark_s]
        if mark is None:
            passed = self.latest_s > mark_s + NEAR_S[mark_s]
            return f"no reading near {said}" if passed else f"{said} not reached{'' if over else ' yet'}"
        if mark.value.relation is not Relation.EQUAL:
            return f"out of range at {said}"
        return "" if mark.value.number > 0 else f"nothing read at {said}"
