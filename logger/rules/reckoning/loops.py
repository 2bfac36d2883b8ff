"""Pocket formulas of live circuits: loop limits by device, fault current, voltage drop."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

from logger.errors import InputWrong
from logger.faults import quoted
from logger.quantity import Test
from logger.rules.facts import Facts
from logger.rules.limit import Confidence
from logger.rules.pack import Pack
from logger.rules.pack_rules import LimitRule
from logger.rules.physics import conductors, loops
from logger.rules.reckoning.conductors import IEC_60228, per_km
from logger.rules.reckoning.formula import AMBIENT, FROM_ZERO, Answer, Figure, Formula, Given, Quantity, one, shown
from logger.toml_table import Bounds

_DEVICE: Final = re.compile(r"\s*([A-Za-z][A-Za-z0-9 \-]*?)\s*(\d+(?:[.,]\d+)?)\s*A?\s*\Z", re.ASCII)
_OHM: Final = "Ohm's law"


def _device(text: str) -> tuple[str, Decimal]:
    """Kind and rated current: `B32`, `C 16 A`, `BS 88-2 32`."""
    found = _DEVICE.match(text)
    if found is None or not Decimal(found.group(2).replace(",", ".")):
        raise InputWrong(f"{quoted(text)} is no device", "write its type and rated current, such as B32 or C16")
    kind = found.group(1)
    return kind.upper() if len(kind) == 1 else kind, Decimal(found.group(2).replace(",", "."))


def _rule(pack: Pack, kind: str, rating: Decimal, voltage: Decimal) -> LimitRule:
    facts = Facts(
        "circuit", system="TN-S", phases=Decimal(1), u0=voltage, nominal_v=voltage, protection=kind, protection_a=rating
    )
    rule = pack.rule_for(Test.EARTH_LOOP, facts)
    if rule is None or not rule.formula or rule.confidence is Confidence.UNSURE:
        raise InputWrong(
            f"The rule pack {pack.id} gives no figure for a device of type {quoted(kind)}",
            "use B, C or D and the rated current, or the curve of the device's maker",
        )
    return rule


def _loop_limit(given: Given) -> Answer:
    pack = given.pack("iec")
    kind, rating = _device(given.texts["device"])
    rule = _rule(pack, kind, rating, given["voltage"])
    share = rule.figures.get("cold_share", rule.figures.get("share", Decimal(1)))
    if rule.formula == "loop":
        operating = rule.figures[kind] * rating
        limit = loops.loop_limit(given["voltage"], operating, rule.figures["voltage_factor"])
        step = (
            f"{shown(rule.figures[kind])} x {shown(rating)} A = {shown(operating)} A; {shown(given['voltage'])} V x "
            f"{shown(rule.figures['voltage_factor'])} / {shown(operating)} A = {shown(limit)} Ohm"
        )
    else:
        limit = _from_table(rule, kind, rating)
        step = f"table: {shown(limit)} Ohm"
    cold = limit * share
    steps = (step, f"measured cold: {shown(share)} of it = {shown(cold)} Ohm")
    results = {"limit": Figure(limit, "Ohm"), "cold_limit": Figure(cold, "Ohm")}
    return Answer(results, steps, f"{rule.source}, {rule.clause} ({rule.confidence.words})", (pack.notice,))


def _from_table(rule: LimitRule, kind: str, rating: Decimal) -> Decimal:
    found = rule.figures.get(format(rating.normalize(), "f"))
    if found is None:
        known = ", ".join(name for name in rule.figures if name != "share")
        raise InputWrong(f"There is no {kind} of {shown(rating)} A in the table", f"it has {known}")
    return found


def _loop(given: Given) -> Answer:
    total = loops.loop(given["ze"], given["r1r2"])
    step = f"Zs = Ze + (R1+R2) = {shown(given['ze'])} + {shown(given['r1r2'])} = {shown(total)} Ohm"
    return Answer(one(total, "Ohm"), (step,), "sum of resistances", ("above 35 mm² reactance counts too",))


def _fault_current(given: Given) -> Answer:
    current = loops.fault_current(given["voltage"], given["impedance"])
    steps = (
        f"I = U/Z = {shown(given['voltage'])} / {shown(given['impedance'])} = {shown(current)} A",
        f"three phases, from line to neutral: no more than twice, {shown(loops.three_phase_by_doubling(current))} A",
    )
    cautions = ("a meter of low current misleads near a transformer, where reactance counts",)
    return Answer(one(current, "A"), steps, _OHM, cautions)


def _three_phase(given: Given) -> Answer:
    bolted = loops.fault_current(given["voltage"] / loops.ROOT_OF_THREE, given["impedance"])
    between = bolted * loops.ROOT_OF_THREE / 2
    steps = (f"U/(√3 Z) = {shown(bolted)} A; between two lines √3/2 of it = {shown(between)} A",)
    return Answer({"three_phase": Figure(bolted, "A"), "line_to_line": Figure(between, "A")}, steps, _OHM)


def _unbalance(given: Given) -> Answer:
    percent = loops.unbalance_percent(given.many("voltages"))
    step = f"greatest deviation from the mean: {shown(percent)} % of it"
    return Answer(one(percent, "%"), (step,), "mean of the phases (this project's suggestion)")


def _class_a(given: Given) -> Answer:
    seconds = loops.gfci_time(given["current"] * 1000)
    step = f"(20 mA / {shown(given['current'] * 1000)} mA)^1.43 = {shown(seconds)} s"
    return Answer(one(seconds, "s"), (step,), "UL 943, class A ground-fault circuit interrupters")


def _voltage_drop(given: Given) -> Answer:
    if given["phases"] not in (1, 3):
        raise InputWrong(f"phases is {shown(given['phases'])}", "use 1 or 3")
    each = per_km(given["size"]) * conductors.copper_factor(given["temperature"])
    drop = loops.voltage_drop(given["current"], given["length"], each, int(given["phases"]))
    percent = drop / given["voltage"] * 100
    ways = "√3" if given["phases"] == 3 else "2"
    steps = (
        f"{per_km(given['size'])} Ohm/km at {shown(given['temperature'])} °C = {shown(each)} Ohm/km",
        f"{ways} x {shown(given['current'])} A x {shown(given['length'])} m = {shown(drop)} V, {shown(percent)} %",
    )
    cautions = ("resistance alone: above 16 mm² reactance counts too",)
    return Answer({"drop": Figure(drop, "V"), "percent": Figure(percent, "%")}, steps, IEC_60228, cautions)


FORMULAS: Final = (
    Formula(
        "loop-limit",
        "greatest loop impedance for a protective device, by rule pack",
        (
            Quantity("device", "type and rated current, such as B32"),
            Quantity("voltage", "to earth", "V", default="230"),
        ),
        _loop_limit,
        by_rules=True,
    ),
    Formula(
        "loop",
        "loop impedance at the end of a circuit",
        (
            Quantity("ze", "loop outside the installation", "Ohm", bounds=FROM_ZERO),
            Quantity("r1r2", "line and protective conductor", "Ohm", bounds=FROM_ZERO),
        ),
        _loop,
    ),
    Formula(
        "fault-current",
        "prospective fault current",
        (Quantity("voltage", "voltage of the loop", "V"), Quantity("impedance", "impedance of the loop", "Ohm")),
        _fault_current,
    ),
    Formula(
        "three-phase-fault",
        "bolted fault current of three phases",
        (Quantity("voltage", "between lines", "V"), Quantity("impedance", "of one line", "Ohm")),
        _three_phase,
    ),
    Formula(
        "unbalance",
        "unbalance of three phases",
        (Quantity("voltages", "of the phases", "V", many=3, exactly=True),),
        _unbalance,
    ),
    Formula(
        "class-a-trip-time",
        "longest trip time of a class A interrupter",
        (Quantity("current", "residual current", "A", ask=("mA", "A")),),
        _class_a,
    ),
    Formula(
        "voltage-drop",
        "voltage lost along a cable",
        (
            Quantity("current", "load current", "A", bounds=FROM_ZERO),
            Quantity("length", "one way", "m", bounds=FROM_ZERO),
            Quantity("size", "section", "mm2"),
            Quantity("temperature", "of the conductor", "Cel", default="70", bounds=AMBIENT),
            Quantity("phases", "1 or 3", "1", default="1", bounds=Bounds(Decimal(0), Decimal(3), "")),
            Quantity("voltage", "nominal: to neutral on one phase, between lines on three", "V"),
        ),
        _voltage_drop,
    ),
)
