"""The measuring half of the simulated meter: its dial, its battery, its null, and what it shows at a moment.

What it says on the line, and when, is `meter`'s concern.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from random import Random
from typing import Final

from drivers.simulator.bench import Bench
from drivers.simulator.charging import Output, output
from drivers.simulator.leads import Joined
from drivers.simulator.scale import INSULATION_VOLTAGES, RANGES, Scale, Shown
from drivers.simulator.truth import RcdSetting
from logger.clock import NS_PER_S
from logger.errors import InputWrong
from logger.quantity import RCD_FUNCTIONS, UNITS, Function
from logger.reading import Flag

LOOKS_FOR_S: Final = 0.02
"""What is shown has been looked at for this long, seconds: one period of the mains, as such meters average over."""

STEADY_FOR_S: Final = 0.5
"""A reading is called steady when it has not moved for this long, seconds."""

STEADY_SHARE: Final = 0.01
"""How far it may move in that time and still be steady, as a share of itself."""

BATTERY_LOW_BELOW: Final = 20
"""Percent below which the meter says that its battery is low."""

NULL_OHM_AT_MOST: Final = 5.0
"""Most that can be nulled as lead resistance, ohms: more is a fault of the leads."""

OUTPUT_SPREAD_V: Final = 0.4
"""Standard deviation of the measured test voltage, volts."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a meter shows at one moment, with its flags; `output_voltage` in volts where a test voltage is on."""

    function: Function
    shown: Shown
    flags: frozenset[Flag]
    voltage: str | None = None
    output_voltage: str | None = None
    setting: RcdSetting | None = None


class Gauge:
    """Dial, battery, null and display of one meter on a bench. Seeded: the same looks yield the same."""

    def __init__(self, bench: Bench, seed: str) -> None:
        self.bench = bench
        self.function = Function.INSULATION
        self.voltage = "500"
        self.setting = RcdSetting()
        self.null_ohm: float | None = None
        self.battery_percent = bench.site.meter.battery_percent
        self._scale = Scale(Random(f"{seed} calibration"))
        self._noise = Random(f"{seed} noise")
        self._seen = (-1, self.function, self.voltage)
        self._since_ns = 0

    @property
    def battery_low(self) -> bool:
        """Whether the meter says that its battery is low."""
        return self.battery_percent < BATTERY_LOW_BELOW

    def turn_to(self, function: str, voltage: str | None) -> None:
        """Select a function, and a test voltage where it has one (the present one if none is given).

        Raises:
            InputWrong: if the meter has no such function, or no such voltage.
        """
        known = {name.value: name for name in RANGES}
        if function not in known:
            raise InputWrong(f"The meter has no function {function}", f"it has {', '.join(known)}")
        chosen = known[function]
        if voltage is not None and chosen is not Function.INSULATION:
            raise InputWrong(f"{function} has no test voltage to choose", "leave the voltage out")
        if voltage is not None and voltage not in INSULATION_VOLTAGES:
            raise InputWrong(f"There is no test voltage {voltage}", f"it can be {', '.join(INSULATION_VOLTAGES)} V")
        self.function = chosen
        self.voltage = voltage or self.voltage

    def take_null(self) -> float:
        """Take the present lead resistance off all continuity readings from now on; yields it, in ohms.

        Raises:
            InputWrong: if the leads are not shorted, or what they show is no lead resistance.
        """
        if not isinstance(self.bench.placement, Joined):
            raise InputWrong("Only the leads' own resistance can be nulled", "short the leads first")
        ohm = self.bench.truth(Function.CONTINUITY, self.setting).base
        if ohm > NULL_OHM_AT_MOST:
            raise InputWrong("The leads cannot be nulled, they do not conduct well enough", "change the leads")
        self.null_ohm = ohm
        return ohm

    def forget(self) -> None:
        """Start measuring anew at the next look, whatever was seen before."""
        self._seen = (-1, self.function, self.voltage)

    def notice(self, now_ns: int) -> None:
        """Start measuring anew if anything has changed on the bench or the dial: the leads are discharged first."""
        state = (self.bench.revision, self.function, self.voltage)
        if state != self._seen:
            self._seen, self._since_ns = state, now_ns

    def look(self, now_ns: int) -> Look:
        """What is shown now."""
        self.notice(now_ns)
        seconds = (now_ns - self._since_ns) / NS_PER_S
        truth = self.bench.truth(self.function, self.setting)
        flags = {Flag.BATTERY_LOW} if self.battery_low else set()
        if truth.live:
            flags.add(Flag.LIVE)
        if self.function is Function.INSULATION:
            return self._insulation(seconds, flags)
        base = truth.base
        if self.function is Function.CONTINUITY and self.null_ohm is not None:
            base = max(0.0, base - self.null_ohm)
            flags.add(Flag.NULLED)
        if seconds >= STEADY_FOR_S and not truth.live:
            flags.add(Flag.STEADY)
        shown = self._scale.show(self.function, base, self._noise)
        setting = self.setting if self.function in RCD_FUNCTIONS else None
        return Look(self.function, shown, frozenset(flags), setting=setting)

    def _insulation(self, seconds: float, flags: set[Flag]) -> Look:
        seen = self._output(seconds)
        if (
            Flag.LIVE not in flags
            and seconds >= STEADY_FOR_S
            and self._still(seen, self._output(seconds - STEADY_FOR_S))
        ):
            flags.add(Flag.STEADY)
        shown = self._scale.show(self.function, seen.ohm, self._noise)
        volts = max(0.0, seen.volts + self._noise.gauss(0.0, OUTPUT_SPREAD_V))
        if Flag.LIVE in flags:
            volts = self.bench.site.supply.volts
        return Look(self.function, shown, frozenset(flags), self.voltage, f"{volts:.0f}")

    def _output(self, seconds: float) -> Output:
        seconds += LOOKS_FOR_S
        truth = self.bench.truth(self.function, self.setting)
        ohm = 0.0 if truth.live else truth.base
        return output(seconds, float(self.voltage), ohm, truth.farad, self.bench.site.absorption)

    def _still(self, now: Output, before: Output) -> bool:
        top = float(RANGES[self.function][-1].high) * 10.0 ** UNITS[RANGES[self.function][-1].unit].power
        moved = abs(min(now.ohm, top) - min(before.ohm, top))
        return isfinite(moved) and moved <= STEADY_SHARE * min(now.ohm, top)
