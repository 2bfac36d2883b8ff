"""Pocket formulas of earthing: electrodes, touch voltage, bonding, and circuits measured dead (AS/NZS 3000)."""

from __future__ import annotations

from typing import Final

from logger.rules.physics import loops
from logger.rules.reckoning.formula import FROM_ZERO, Answer, Figure, Formula, Given, Quantity, one, shown

_OHM: Final = "Ohm's law"
_AS_NZS: Final = "AS/NZS 3000:2018, 8.3.9 and appendix B (known from the trade: check your edition)"


def _electrode_limit(given: Given) -> Answer:
    limit = loops.electrode_limit(given["touch"], given["rating"])
    step = f"R = {shown(given['touch'])} V / {shown(given['rating'])} A = {shown(limit)} Ohm"
    cautions = ("above about 200 Ohm an electrode may not be stable",)
    return Answer(one(limit, "Ohm"), (step,), "IEC 60364-4-41, 411.5.3: touch voltage of 50 V at most", cautions)


def _touch_voltage(given: Given) -> Answer:
    volts = loops.touch_voltage(given["resistance"], given["rating"])
    return Answer(one(volts, "V"), (f"U = R I = {shown(volts)} V",), _OHM)


def _bonding_limit(given: Given) -> Answer:
    limit = loops.electrode_limit(given["touch"], given["current"])
    step = f"R = {shown(given['touch'])} V / {shown(given['current'])} A = {shown(limit)} Ohm"
    return Answer(one(limit, "Ohm"), (step,), "IEC 60364-4-41, 415.2: supplementary bonding")


def _fall_of_potential(given: Given) -> Answer:
    found = loops.fall_of_potential(given.many("readings"))
    agrees = found.uncertainty_percent <= 5
    steps = (
        f"mean {shown(found.resistance_ohm)} Ohm, greatest deviation {shown(found.deviation_percent)} %",
        f"x 1.2 = {shown(found.uncertainty_percent)} %: {'within' if agrees else 'more than'} the 5 % wanted",
    )
    cautions = () if agrees else ("move the current spike further away and measure again",)
    results = {
        "resistance": Figure(found.resistance_ohm, "Ohm"),
        "deviation": Figure(found.deviation_percent, "%"),
    }
    source = "fall of potential, spike in three places (trade practice; 61.8 % of the way gives the true value)"
    return Answer(results, steps, source, cautions)


def _spike_distance(given: Given) -> Answer:
    metres = loops.spike_distance(given["current"])
    step = f"0.618 x {shown(given['current'])} m = {shown(metres)} m; repeat at 0.52 and 0.72 and look for agreement"
    return Answer(one(metres, "m"), (step,), "fall of potential: where the potential spike reads the true value")


def _dead_limits(given: Given) -> Answer:
    both, earth = loops.dead_earthing_limits(
        given["voltage"], given["operating"], given["line"], given["earth"], given["share"]
    )
    steps = (
        f"{shown(given['share'])} x {shown(given['voltage'])} V / {shown(given['operating'])} A = {shown(both)} Ohm",
        f"of it the protective conductor: {shown(earth)} Ohm",
    )
    results = {"line_and_earth": Figure(both, "Ohm"), "earth": Figure(earth, "Ohm")}
    return Answer(results, steps, _AS_NZS, ("for conductors of one metal",))


def _longest(given: Given) -> Answer:
    metres = loops.longest_circuit(
        given["voltage"], given["operating"], given["line"], given["earth"], loops.WORKING_RESISTIVITY
    )
    step = f"0.8 U A1 A2 / (0.0225 I (A1 + A2)) = {shown(metres)} m"
    return Answer(one(metres, "m"), (step,), _AS_NZS, ("copper at working temperature",))


_TOUCH: Final = Quantity("touch", "touch voltage allowed", "V", default="50")
_RATING: Final = Quantity("rating", "rated residual current", "A", ask=("mA", "A"))

_OPERATING: Final = Quantity("operating", "current that operates the device", "A")
_LINE: Final = Quantity("line", "section of the line", "mm2")
_EARTH: Final = Quantity("earth", "section of the protective conductor", "mm2")
_VOLTAGE: Final = Quantity("voltage", "to earth", "V", default="230")

FORMULAS: Final = (
    Formula(
        "electrode-limit",
        "greatest electrode resistance under a residual current device",
        (_RATING, _TOUCH),
        _electrode_limit,
    ),
    Formula(
        "touch-voltage",
        "voltage on exposed metal at the rated residual current",
        (Quantity("resistance", "of the electrode", "Ohm", bounds=FROM_ZERO), _RATING),
        _touch_voltage,
    ),
    Formula(
        "bonding-limit",
        "greatest resistance of supplementary bonding",
        (Quantity("current", "that operates the protective device", "A", ask=("mA", "A")), _TOUCH),
        _bonding_limit,
    ),
    Formula(
        "fall-of-potential",
        "earth electrode from three readings",
        (Quantity("readings", "with the spike in three places", "Ohm", many=3, exactly=True),),
        _fall_of_potential,
    ),
    Formula(
        "spike-distance",
        "where the potential spike of an electrode test belongs",
        (Quantity("current", "distance of the current spike", "m"),),
        _spike_distance,
    ),
    Formula(
        "dead-earthing-limits",
        "greatest resistances of a circuit measured without supply",
        (_OPERATING, _LINE, _EARTH, _VOLTAGE, Quantity("share", "of the voltage counted on", "1", default="0.64")),
        _dead_limits,
    ),
    Formula(
        "longest-circuit",
        "length at which a circuit still trips",
        (_OPERATING, _LINE, _EARTH, _VOLTAGE),
        _longest,
    ),
)
