"""Timed runs told as they pass a mark, for a person who follows events as sentences. Nothing of it is recorded."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from logger.recorder.event import Event
from logger.text import harmless
from logger.timed_run import MARK_WORDS, MARKS_S, NEAR_S
from logger.timed_runs import PointMaker, RunNow
from tui.present import figure, volts
from tui.timed_words import ratio

METERS_AT_MOST: Final = 64
"""Meters followed at once; four times what one capture is made for."""


@dataclass(slots=True)
class _Meter:
    """One meter's run; `told` marks of the run that began at `start_ms` were told."""

    maker: PointMaker = field(default_factory=PointMaker)
    now: RunNow = field(default_factory=RunNow)
    start_ms: int = -1
    told: int = 0


class TimedTold:
    """Follows events. Touched by one thread."""

    def __init__(self) -> None:
        self._meters: dict[str, _Meter] = {}

    def take(self, event: Event) -> str:
        """What is to be told after this event; empty nearly always."""
        if event.name == "disconnected":
            meter = self._meters.get(str(event.fields.get("serial")))
            if meter is not None:
                meter.maker.line_went()
        if event.name != "reading" or "meter_ms" not in event.fields:
            return ""
        serial = str(event.fields["serial"])
        meter = self._meters.get(serial)
        if meter is None:
            if len(self._meters) >= METERS_AT_MOST:
                self._meters.pop(next(iter(self._meters)))
            meter = self._meters[serial] = _Meter()
        point = meter.maker.make(event.entry or 0, event.fields)
        if point is None:
            return ""
        meter.now.take(point)
        return self._passed(meter, event)

    def _passed(self, meter: _Meter, event: Event) -> str:
        run = meter.now.run()
        if run is None or run.selection is None or run.selection != event.fields.get("selection"):
            return ""
        if run.timed.start_ms != meter.start_ms:
            meter.start_ms, meter.told = run.timed.start_ms, 0
        passed = sum(run.timed.latest_s > mark_s + NEAR_S[mark_s] for mark_s in MARKS_S)
        if passed <= meter.told or not run.in_range:
            return ""
        meter.told = passed
        mark_s = MARKS_S[passed - 1]
        mark, ratios = run.timed.marks.get(mark_s), run.timed.ratios()
        read = "no reading" if mark is None else figure(mark.value.text, mark.value.unit, mark.value.relation)
        entry = "" if mark is None else f" [{mark.entry}]"
        named = {60: ("DAR", ratios.dar), 600: ("PI", ratios.pi)}
        name, number = named.get(mark_s, ("", None))
        said = f", {name} {ratio(number)}" if number is not None else f", no {name}" if name else ""
        item = f"{harmless(str(event.fields['item']), 36)} insulation{volts(run.voltage)}"
        return f"Timed run {item}: at {MARK_WORDS[mark_s]} {read}{entry}{said}"
