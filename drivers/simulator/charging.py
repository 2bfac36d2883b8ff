"""What an insulation tester sees as its test voltage rises on whatever hangs on its leads.

The source gives a constant current until its voltage is reached; then only conduction and the dielectric's
absorption, which fades with time, still draw current. The displayed resistance is voltage over current at any moment,
charging current included, so that a reading on a long cable rises before it holds still.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log1p
from typing import Final

TEST_CURRENT_A: Final = 1.2e-3
"""What the source gives at most, amperes: a little above the 1 mA that it must keep up its nominal voltage at."""

OUTPUT_FACTOR: Final = 1.05
"""Voltage at open leads over the nominal one: inside the quarter above it that such sources may have."""

ABSORPTION_FROM_S: Final = 0.05
"""Absorption current falls with 1/t; counted from this long after the voltage is reached, so that it is finite."""


@dataclass(frozen=True, slots=True)
class Output:
    """A moment of an insulation measurement: ohms as voltage over current (infinite: no current), and volts."""

    ohm: float
    volts: float


def output(seconds: float, nominal_v: float, ohm: float, farad: float, absorption: float) -> Output:
    """What is seen `seconds` after the voltage was put on.

    Args:
        seconds: 0 or more.
        nominal_v: the chosen test voltage.
        ohm: resistance between the leads; infinite where there is none.
        farad: capacitance between the leads, discharged at the start.
        absorption: dielectric absorption as a share of `farad`, 0 or more: draws `absorption × farad × volts / t`.
    """
    full_v = nominal_v * OUTPUT_FACTOR
    charged_s = _seconds_to(full_v, ohm, farad)
    if seconds < charged_s:
        volts = _rising(seconds, ohm, farad)
        return Output(volts / TEST_CURRENT_A, volts)
    siemens = 1 / ohm + absorption * farad / (seconds - charged_s + ABSORPTION_FROM_S)
    return Output(1 / siemens if siemens else inf, full_v)


def _seconds_to(full_v: float, ohm: float, farad: float) -> float:
    """How long the source charges with its constant current; infinite where `ohm` never lets it come up."""
    if TEST_CURRENT_A * ohm <= full_v:
        return inf
    if ohm == inf:
        return farad * full_v / TEST_CURRENT_A
    return -ohm * farad * log1p(-full_v / (TEST_CURRENT_A * ohm))


def _rising(seconds: float, ohm: float, farad: float) -> float:
    if ohm * farad == 0:
        return TEST_CURRENT_A * ohm
    if ohm == inf:
        return TEST_CURRENT_A * seconds / farad
    return TEST_CURRENT_A * ohm * (1 - exp(-seconds / (ohm * farad)))
