"""Pocket formulas of copper: resistance by section, length and temperature, and rings."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from logger.errors import InputWrong
from logger.rules.physics import conductors
from logger.rules.reckoning.formula import AMBIENT, FROM_ZERO, Answer, Figure, Formula, Given, Quantity, one, shown
from logger.toml_table import Bounds

IEC_60228: Final = "IEC 60228, greatest resistance at 20 °C; copper rises by 0.00393 of it for each kelvin"
_REAL_CABLE: Final = "the table gives maxima: real cable may read a few percent less"


def per_km(size: Decimal, conductor_class: Decimal = Decimal(2)) -> Decimal:
    """Ohms a kilometre at 20 °C.

    Raises:
        InputWrong: if the table has no such section or class.
    """
    found = conductors.ohm_per_km(size, int(conductor_class))
    if found is None and int(conductor_class) not in conductors.CLASSES:
        raise InputWrong(
            f"There is no conductor class {shown(conductor_class)}", "use 1 (solid), 2 (stranded), 5 (flexible)"
        )
    if found is None:
        sizes = ", ".join(str(section) for section in conductors.OHM_PER_KM)
        raise InputWrong(f"There is no conductor of {shown(size)} mm2 in IEC 60228", f"use one of {sizes}")
    return found


def _factor(temperature: Decimal) -> str:
    return f"1 + 0.00393 x ({shown(temperature)} - 20) = {shown(conductors.copper_factor(temperature), 5)}"


def _conductor(given: Given) -> Answer:
    each = per_km(given["size"], given["class"])
    result = conductors.resistance(each, given["length"], given["temperature"])
    steps = (
        f"{each} Ohm/km x {shown(given['length'])} m x ({_factor(given['temperature'])})",
        f"R = {shown(result)} Ohm",
    )
    return Answer(one(result, "Ohm"), steps, IEC_60228, (_REAL_CABLE,))


def _r1_plus_r2(given: Given) -> Answer:
    line, earth = per_km(given["line"], given["class"]), per_km(given["earth"], given["class"])
    result = conductors.resistance(line + earth, given["length"], given["temperature"])
    steps = (
        f"({line} + {earth}) Ohm/km x {shown(given['length'])} m x ({_factor(given['temperature'])})",
        f"R1+R2 = {shown(result)} Ohm",
    )
    return Answer(one(result, "Ohm"), steps, IEC_60228, (_REAL_CABLE,))


def _to_20(given: Given) -> Answer:
    result = conductors.to_20_degrees(given["resistance"], given["temperature"])
    by_table = given["resistance"] * conductors.to_20_factor(given["temperature"])
    steps = (
        f"{shown(given['resistance'])} / ({_factor(given['temperature'])}) = {shown(result)} Ohm",
        f"by IEC 60228's factor 250 / (230 + T): {shown(by_table)} Ohm",
    )
    return Answer(one(result, "Ohm"), steps, IEC_60228)


def _implied_length(given: Given) -> Answer:
    sizes = given.many("sizes")
    each = [per_km(size) for size in sizes]
    measured = conductors.to_20_degrees(given["resistance"], given["temperature"])
    result = conductors.implied_length(measured, each)
    steps = (f"{shown(measured)} Ohm at 20 °C / ({' + '.join(map(str, each))}) Ohm/km = {shown(result)} m",)
    return Answer(one(result, "m"), steps, IEC_60228, (f"at least: {_REAL_CABLE}",))


def _ring(given: Given) -> Answer:
    ring = conductors.Ring(given["r1"], given["rn"], given["r2"])
    middle = ring.line_earth_ohm(Decimal("0.5"))
    apart = abs(ring.r1_ohm - ring.rn_ohm)
    steps = (
        f"line to neutral, legs crossed: (r1 + rn)/4 = {shown(ring.line_neutral_ohm)} Ohm at every socket",
        f"line to earth, legs crossed: (r1 + r2)/4 = {shown(middle)} Ohm in the middle, "
        f"{shown(ring.line_earth_ohm(Decimal(0)))} Ohm next to the board",
        f"legs not crossed would read 0 at the board and {shown(ring.uncrossed_ohm(Decimal('0.5')))} Ohm in the middle",
        f"r1 and rn differ by {shown(apart)} Ohm; r2/r1 = {shown(ring.ratio)}",
    )
    cautions = (
        ("r1 and rn more than 0.05 Ohm apart: look for a loose joint or a wrong size",)
        if apart > conductors.RING_OHM
        else ()
    )
    results = {
        "line_neutral": Figure(ring.line_neutral_ohm, "Ohm"),
        "line_earth_middle": Figure(middle, "Ohm"),
        "ratio": Figure(ring.ratio, "1"),
    }
    return Answer(
        results, steps, "two resistances in parallel, seen from the socket; 0.05 Ohm from BS 7671, 643.2", cautions
    )


def _ring_socket(given: Given) -> Answer:
    ring = conductors.Ring(given["r1"], given["r1"], given["r2"])
    share = given["share"]
    crossed, uncrossed = ring.line_earth_ohm(share), ring.uncrossed_ohm(share)
    spur = per_km(given["line"]) + per_km(given["earth"]) if given["spur"] else Decimal(0)
    added = conductors.resistance(spur, given["spur"])
    steps = (
        f"on the ring {shown(crossed)} Ohm, with a spur of {shown(given['spur'])} m {shown(crossed + added)} Ohm",
        f"with the legs joined to the wrong ends {shown(uncrossed)} Ohm",
    )
    results = {"crossed": Figure(crossed + added, "Ohm"), "not_crossed": Figure(uncrossed + added, "Ohm")}
    return Answer(results, steps, f"two resistances in parallel, seen from the socket; {IEC_60228}")


_LENGTH: Final = Quantity("length", "length one way", "m", bounds=FROM_ZERO)
_AT_20: Final = Quantity("temperature", "temperature of the conductor", "Cel", default="20", bounds=AMBIENT)
_CLASS: Final = Quantity("class", "1 solid, 2 stranded, 5 flexible", "1", default="2")
_LINE: Final = Quantity("line", "section of the line", "mm2")
_EARTH: Final = Quantity("earth", "section of the protective conductor", "mm2")
_R1: Final = Quantity("r1", "line, end to end", "Ohm")
_R2: Final = Quantity("r2", "protective conductor, end to end", "Ohm")

FORMULAS: Final = (
    Formula(
        "conductor-resistance",
        "resistance of one copper conductor",
        (Quantity("size", "section", "mm2"), _LENGTH, _CLASS, _AT_20),
        _conductor,
    ),
    Formula(
        "r1-plus-r2", "line and protective conductor in series", (_LINE, _EARTH, _LENGTH, _AT_20, _CLASS), _r1_plus_r2
    ),
    Formula(
        "to-20-degrees",
        "a measured resistance at 20 °C",
        (
            Quantity("resistance", "as measured", "Ohm", bounds=FROM_ZERO),
            Quantity("temperature", "temperature of the conductor", "Cel", bounds=AMBIENT),
        ),
        _to_20,
    ),
    Formula(
        "implied-length",
        "length of cable that a reading implies",
        (
            Quantity("resistance", "as measured, conductors in series", "Ohm"),
            Quantity("sizes", "sections of the conductors in series", "mm2", many=2),
            _AT_20,
        ),
        _implied_length,
    ),
    Formula(
        "ring",
        "what a ring final circuit must read",
        (_R1, Quantity("rn", "neutral, end to end", "Ohm"), _R2),
        _ring,
    ),
    Formula(
        "ring-socket",
        "what one socket of a ring reads, line to earth",
        (
            _R1,
            _R2,
            Quantity("share", "how far round, 0 to 1", "1", bounds=Bounds(Decimal(0), Decimal(1), "", low_counts=True)),
            Quantity("spur", "length of its spur", "m", default="0", bounds=FROM_ZERO),
            Quantity("line", "section of the spur's line", "mm2", default="2.5"),
            Quantity("earth", "section of the spur's protective conductor", "mm2", default="1.5"),
        ),
        _ring_socket,
    ),
)
