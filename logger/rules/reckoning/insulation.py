"""Pocket formulas of insulation: branches, temperature, absorption, charging and discharging."""

from __future__ import annotations

from typing import Final

from logger.errors import InputWrong
from logger.rules.physics import insulation
from logger.rules.reckoning.formula import AMBIENT, FROM_ZERO, Answer, Figure, Formula, Given, Quantity, one, shown

_TREND_ONLY: Final = "a rule of thumb for trends: limits hold for the reading as it was taken"
_OHM_LAW: Final = "Ohm's law for paths side by side: 1/R = 1/R1 + 1/R2 + …"


def _parallel(given: Given) -> Answer:
    branches = given.many("branches")
    total = insulation.parallel(branches)
    over = "branches" in given.bounds
    steps = [" + ".join(f"1/{shown(branch)}" for branch in branches[:12]) + (" + …" if len(branches) > 12 else "")]
    steps.append(f"R = {'at least ' if over else ''}{shown(total)} MOhm; no more than its smallest branch")
    return Answer(
        one(total, "MOhm"),
        tuple(steps),
        _OHM_LAW,
        ("a branch that read over range is only known to be above its figure",) if over else (),
        at_least=over,
    )


def _unknown_branch(given: Given) -> Answer:
    total, rest = given["total"], given["rest"]
    if rest <= total:
        raise InputWrong(
            f"The rest alone reads {shown(rest)} MOhm, no more than the whole's {shown(total)}: no branch does that",
            "check both readings",
        )
    branch = insulation.unknown_branch(total, rest)
    return Answer(one(branch, "MOhm"), (f"1 / (1/{shown(total)} - 1/{shown(rest)}) = {shown(branch)} MOhm",), _OHM_LAW)


def _at_temperature(given: Given) -> Answer:
    measured, here, there = given["resistance"], given["temperature"], given["to"]
    result = insulation.at_temperature(measured, here, there)
    working = f"{shown(measured)} x 0.5^(({shown(there)} - {shown(here)}) / 10) = {shown(result)} MOhm"
    return Answer(
        one(result, "MOhm"), (working,), "rule of thumb: insulation halves for each 10 K upwards", (_TREND_ONLY,)
    )


def _absorption(given: Given) -> Answer:
    ratios = insulation.absorption(given["r30"], given["r60"], given["r600"] if given.has("r600") else None)
    results = {"dar": Figure(ratios.dar, "1")}
    working = [f"DAR = R60/R30 = {shown(given['r60'])}/{shown(given['r30'])} = {shown(ratios.dar)}"]
    if ratios.pi is not None:
        results["pi"] = Figure(ratios.pi, "1")
        working.append(f"PI = R600/R60 = {shown(given['r600'])}/{shown(given['r60'])} = {shown(ratios.pi)}")
    cautions = (
        "sources disagree on what is good: DAR from 1.25 or 1.4, PI from 1.5 or 2; check the maker's or your own",
    )
    return Answer(results, tuple(working), "ratios of timed readings as in IEEE 43 for rotating machines", cautions)


def _charge(given: Given) -> Answer:
    seconds = insulation.charge_time(given["capacitance"], given["voltage"], given["current"])
    return Answer(one(seconds, "s"), (f"t = C U / I = {shown(seconds)} s",), "charge at constant current")


def _discharge(given: Given) -> Answer:
    capacitance, resistance = given["capacitance"], given["resistance"]
    start, end = given["voltage"], given["to"]
    seconds = insulation.discharge_time(capacitance, resistance, start, end)
    constant = shown(resistance * capacitance)
    working = f"t = R C ln(U/{shown(end)}) = {constant} s x ln({shown(start / end)}) = {shown(seconds)} s"
    cautions = ("measure before you touch: a resistor may be open",)
    return Answer(one(seconds, "s"), (working,), "exponential discharge; 60 V as in IEC 60204-1, 6.2.4", cautions)


def _bleed(given: Given) -> Answer:
    if given["voltage"] <= given["to"]:
        raise InputWrong(
            f"{shown(given['voltage'])} V is no more than {shown(given['to'])} V", "nothing must discharge"
        )
    ohm = insulation.largest_bleed(given["capacitance"], given["voltage"], given["to"], given["within"])
    return Answer(
        one(ohm, "Ohm"), (f"R = t / (C ln(U/{shown(given['to'])})) = {shown(ohm)} Ohm",), "exponential discharge"
    )


def _stored(given: Given) -> Answer:
    joules = insulation.stored_energy(given["capacitance"], given["voltage"])
    charge = insulation.stored_charge(given["capacitance"], given["voltage"])
    return Answer(
        {"energy": Figure(joules, "J"), "charge": Figure(charge, "C")},
        (f"E = C U²/2 = {shown(joules)} J, Q = C U = {shown(charge)} C",),
        "capacitor; IEC 61140 calls 50 µC painful",
    )


def _by_length(given: Given) -> Answer:
    result = insulation.at_length(given["resistance"], given["measured"], given["length"])
    measured, length = shown(given["measured"]), shown(given["length"])
    working = f"{shown(given['resistance'])} x {measured} / {length} = {shown(result)} MOhm"
    return Answer(one(result, "MOhm"), (working,), "insulation of a uniform cable falls as it grows longer")


def _leakage(given: Given) -> Answer:
    milliamperes = insulation.leakage_ma(given["voltage"], given["resistance"])
    return Answer(one(milliamperes, "mA"), (f"I = U/R = {shown(milliamperes)} mA",), "Ohm's law")


def _winding(given: Given) -> Answer:
    factor = insulation.thermoset_factor(given["temperature"])
    result = given["resistance"] * factor
    cautions = ("constants recalled from IEEE 43-2013: check your edition", _TREND_ONLY)
    step = f"K = {shown(factor)}, R40 = {shown(result)} MOhm"
    return Answer(one(result, "MOhm"), (step,), "IEEE 43-2013, thermosetting insulation", cautions)


def _tester_load(given: Given) -> Answer:
    low, high = insulation.terminal_window(given["voltage"])
    load = insulation.rated_load(given["voltage"])
    results = {"load": Figure(load, "Ohm"), "lowest": Figure(low, "V"), "highest": Figure(high, "V")}
    steps = (f"{shown(given['voltage'])} V / 1 mA = {shown(load)} Ohm; terminals at {shown(low)} to {shown(high)} V",)
    return Answer(results, steps, "IEC 61557-2 (1 mA); AS/NZS 3000, 8.3.6 (-10 % to +20 %)")


def _resistor_power(given: Given) -> Answer:
    watts = insulation.power_in(given["resistance"], given["voltage"])
    return Answer(one(watts, "W"), (f"P = U²/R = {shown(watts)} W",), "Ohm's law")


def _capacitance(given: Given) -> Answer:
    per_metre = insulation.coaxial_f_per_m(given["thickness"] / given["radius"], given["permittivity"])
    result = per_metre * given["length"] * 10**9
    step = f"2 π ε0 ε / ln(1 + t/r) = {shown(per_metre * 10**12)} pF/m"
    return Answer(one(result, "nF"), (step,), "coaxial cylinder: the most that a screened core can have")


_MOHM: Final = "insulation resistance"
_C: Final = Quantity("capacitance", "capacitance", "F", ask=("nF", "uF"))
_U: Final = Quantity("voltage", "voltage", "V")
_TO: Final = Quantity("to", "voltage to fall to", "V", default="60")

FORMULAS: Final = (
    Formula(
        "parallel-insulation",
        "insulation of circuits side by side",
        (Quantity("branches", "insulation of each branch", "MOhm", bounds=FROM_ZERO, many=2, may_be_bound=True),),
        _parallel,
    ),
    Formula(
        "unknown-branch",
        "insulation of the branch that brings the rest down to the whole",
        (Quantity("total", "the whole", "MOhm"), Quantity("rest", "without the branch", "MOhm")),
        _unknown_branch,
    ),
    Formula(
        "insulation-at",
        "insulation at another temperature",
        (
            Quantity("resistance", _MOHM, "MOhm"),
            Quantity("temperature", "temperature of the reading", "Cel", bounds=AMBIENT),
            Quantity("to", "temperature wanted", "Cel", bounds=AMBIENT),
        ),
        _at_temperature,
    ),
    Formula(
        "insulation-by-length",
        "insulation of another length of the same cable",
        (
            Quantity("resistance", _MOHM, "MOhm"),
            Quantity("measured", "length that was measured", "m"),
            Quantity("length", "length wanted", "m"),
        ),
        _by_length,
    ),
    Formula("leakage", "current through insulation", (_U, Quantity("resistance", _MOHM, "MOhm")), _leakage),
    Formula(
        "absorption",
        "absorption ratio and polarisation index",
        (
            Quantity("r30", "reading after 30 s", "MOhm"),
            Quantity("r60", "reading after 60 s", "MOhm"),
            Quantity("r600", "reading after 600 s", "MOhm", optional=True),
        ),
        _absorption,
    ),
    Formula(
        "charge-time",
        "how long a tester takes to charge a cable",
        (_C, _U, Quantity("current", "the tester's current", "A", default="1 mA", ask=("mA", "A"))),
        _charge,
    ),
    Formula(
        "discharge-time",
        "how long a capacitance keeps a dangerous voltage",
        (_C, Quantity("resistance", "resistance that discharges it", "Ohm"), _U, _TO),
        _discharge,
    ),
    Formula(
        "bleed-resistor",
        "greatest resistance that discharges in time",
        (_C, _U, _TO, Quantity("within", "time allowed", "s", default="5")),
        _bleed,
    ),
    Formula("stored-charge", "energy and charge on a capacitance", (_C, _U), _stored),
    Formula(
        "winding-at-40",
        "insulation of a winding at 40 °C",
        (Quantity("resistance", _MOHM, "MOhm"), Quantity("temperature", "of the winding", "Cel", bounds=AMBIENT)),
        _winding,
    ),
    Formula("tester-load", "load that draws 1 mA, and the voltage that must stay", (_U,), _tester_load),
    Formula(
        "resistor-power",
        "power that a check resistor must bear",
        (Quantity("resistance", "of the resistor", "Ohm"), _U),
        _resistor_power,
    ),
    Formula(
        "cable-capacitance",
        "upper bound on a screened core's capacitance",
        (
            Quantity("thickness", "of the insulation", "m", ask=("mm",)),
            Quantity("radius", "of the conductor", "m", ask=("mm",)),
            Quantity("permittivity", "relative, such as 2.3 for XLPE or 5 for PVC", "1"),
            Quantity("length", "of the cable", "m"),
        ),
        _capacitance,
    ),
)
