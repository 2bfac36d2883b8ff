"""What each table of a site's TOML says about its part of the plan. What must hold between them is in `site_file`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from itertools import combinations
from math import inf
from typing import Final

from drivers.simulator.site import (
    BODY,
    ApplianceTruth,
    CircuitTruth,
    DeviceTruth,
    EarthTruth,
    LoadTruth,
    RcdTruth,
    Run,
)
from logger.job.conductors import EARTH, NEUTRAL, STRAPPERS, lines_of_circuit
from logger.job.model import (
    Appliance,
    ApplianceClass,
    Cable,
    Circuit,
    Device,
    DeviceKind,
    Earth,
    EarthKind,
)
from logger.job.wiring import strapper_runs
from logger.rules.physics.conductors import OHM_PER_KM
from logger.toml_table import Bounds, Table, quoted

# What figures in a site may be. The upper ends are there to stop a slipped finger, not an unusual installation.
LENGTH: Final = Bounds(Decimal(0), Decimal(10_000), "m", low_counts=True)
SECTION: Final = Bounds(Decimal(0), Decimal(100), "mm²")
OHM: Final = Bounds(Decimal(0), Decimal(1_000_000), "Ω", low_counts=True)
LOAD_OHM: Final = Bounds(Decimal(0), Decimal(1_000_000), "Ω")
MEGOHM: Final = Bounds(Decimal(0), Decimal(1_000_000), "MΩ")
NANOFARAD: Final = Bounds(Decimal(0), Decimal(100_000), "nF", low_counts=True)
PICOFARAD: Final = Bounds(Decimal(0), Decimal(10_000), "pF", low_counts=True)
SHARE: Final = Bounds(Decimal(0), Decimal(1), "", low_counts=True)
CELSIUS: Final = Bounds(Decimal(-40), Decimal(90), "°C")
MILLIAMPERE: Final = Bounds(Decimal(0), Decimal(3000), "mA")
MILLISECOND: Final = Bounds(Decimal(0), Decimal(5000), "ms")

CONTACT_OHM: Final = 0.004
"""A switch, breaker or link as it should be, where the site does not say."""

DEFAULT_RCD_TRIP: Final = (0.7, 24.0)
"""A sound RCD where the site does not say: the share of its rated current it trips at, and after how many ms."""


def read_circuit(table: Table, circuit: Circuit) -> CircuitTruth:
    """A `[[circuit]]`."""
    lines, straps = lines_of_circuit(circuit), strapper_runs(circuit.path)
    cable = _cable(table, circuit.cable)
    runs = tuple(
        _run(inner, (*(STRAPPERS if k in straps else lines), NEUTRAL, EARTH))
        for k, inner in enumerate(table.tables("runs"))
    )
    if runs and len(runs) != len(circuit.path) + 1:
        table.fault(f"{len(runs)} runs for {len(circuit.path)} devices, there must be {len(circuit.path) + 1}", "runs")
        runs = ()
    rating = float(circuit.rcd.rating_ma) if circuit.rcd else None
    truth = CircuitTruth(
        cable,
        runs or healthy_runs(circuit),
        _load(table),
        _rcd(table, rating),
        _swapped(table, (*lines, NEUTRAL, EARTH)),
    )
    table.finish()
    return truth


def healthy_runs(circuit: Circuit) -> tuple[Run, ...]:
    """Sound runs where the site says nothing: a stub at the board, the length of the plan evenly behind it."""
    length = float(circuit.cable.length_m or 0)
    behind = len(circuit.path)
    if not behind:
        return (Run(length),)
    return (Run(0.0), *(Run(length / behind) for _ in range(behind)))


def read_earth(table: Table, earth: Earth) -> EarthTruth:
    """An `[[earth]]`."""
    broken = table.flag("broken")
    extra = figure(table, "extra_ohm", OHM, 0.0)
    electrode = table.number("electrode_ohm", LOAD_OHM)
    run = Run(
        float(earth.cable.length_m or 0),
        open=frozenset({EARTH}) if broken else frozenset(),
        extra_ohm={EARTH: extra},
    )
    table.finish()
    if electrode is None:
        return EarthTruth(earth.cable, run, inf if earth.kind is EarthKind.BONDING else 30.0)
    return EarthTruth(earth.cable, run, float(electrode))


def read_appliance(table: Table, appliance: Appliance) -> ApplianceTruth:
    """An `[[appliance]]`."""
    class_ii = appliance.appliance_class is ApplianceClass.II
    conductors = ("L", NEUTRAL, BODY) if class_ii else ("L", NEUTRAL, EARTH)
    element = table.number("element_ohm", LOAD_OHM)
    rating = 30.0 if appliance.appliance_class is ApplianceClass.PORTABLE_RCD else None
    cord = Run(
        float(appliance.cord.length_m or 0), _leaks(table, conductors), _words(table, "open", conductors),
        _extra(table, conductors),
    )  # fmt: skip
    truth = ApplianceTruth(
        cord,
        inf if element is None else float(element),
        figure(table, "filter_nf", NANOFARAD, 0.0) * 1e-9,
        figure(table, "bond_ohm", OHM, 0.0),
        _rcd(table, rating),
    )
    table.finish()
    return truth


def read_device(table: Table, device: Device) -> DeviceTruth:
    """A `[[device]]`."""
    start = table.one_of("start", device.positions) if device.positions else ""
    if not device.positions and table.has("start"):
        table.fault("a joint has no position", "start")
    truth = DeviceTruth(
        start or first_position(device),
        figure(table, "contact_ohm", OHM, CONTACT_OHM),
        _words(table, "open", ("L", "L1", "L2", "L3", *STRAPPERS, NEUTRAL, EARTH)),
    )
    table.finish()
    return truth


def first_position(device: Device) -> str:
    """Where a device starts; "" for a joint."""
    return device.positions[0] if device.kind is not DeviceKind.JOINT else ""


def check_sizes(table: Table, cable: Cable) -> None:
    """Tell of sections that are in no table of conductor resistance."""
    for size in (cable.line_mm2, cable.neutral_mm2, cable.earth_mm2):
        if size is not None and size not in OHM_PER_KM:
            known = ", ".join(str(known) for known in OHM_PER_KM)
            table.fault(f"{size} mm² is no size that the simulator has a resistance for; it has {known}")


def figure(table: Table, key: str, bounds: Bounds, default: float) -> float:
    """The figure under `key` inside `bounds`, or `default` where there is none."""
    number = table.number(key, bounds)
    return default if number is None else float(number)


def megohm(table: Table, key: str) -> float:
    """The megohms under `key`, in ohms; infinite where there are none."""
    number = table.number(key, MEGOHM)
    return inf if number is None else float(number) * 1e6


def _cable(table: Table, planned: Cable) -> Cable:
    inner = table.table("cable")
    if inner is None:
        return planned
    sizes = [inner.number(key, SECTION) for key in ("line_mm2", "neutral_mm2", "earth_mm2")]
    inner.finish()
    line, neutral, earth = sizes
    found = Cable(
        planned.length_m, line or planned.line_mm2, neutral or planned.neutral_mm2, earth or planned.earth_mm2
    )
    check_sizes(inner, found)
    return found


def _run(table: Table, conductors: Sequence[str]) -> Run:
    run = Run(
        figure(table, "length_m", LENGTH, 0.0),
        _leaks(table, conductors),
        _words(table, "open", conductors),
        _extra(table, conductors),
    )
    table.finish()
    return run


def _leaks(table: Table, conductors: Sequence[str]) -> dict[tuple[str, str], float]:
    inner = table.table("insulation_mohm")
    if inner is None:
        return {}
    leaks = {}
    for a, b in combinations(conductors, 2):
        if (megohm := inner.number(f"{a}-{b}", MEGOHM)) is not None:
            leaks[a, b] = float(megohm) * 1e6
    inner.finish()
    return leaks


def _extra(table: Table, conductors: Sequence[str]) -> dict[str, float]:
    inner = table.table("extra_ohm")
    if inner is None:
        return {}
    extra = {conductor: figure(inner, conductor, OHM, 0.0) for conductor in conductors}
    inner.finish()
    return extra


def _words(table: Table, key: str, known: Iterable[str]) -> frozenset[str]:
    words, known = table.text(key).split(), tuple(known)
    for word in words:
        if word not in known:
            table.fault(f"{key} names {quoted(word)}; known: {', '.join(known)}", key)
    return frozenset(words)


def _load(table: Table) -> LoadTruth | None:
    inner = table.table("load")
    if inner is None:
        return None
    ohm = inner.number("ohm", LOAD_OHM, required=True)
    load = LoadTruth(
        float(ohm or 1),
        inner.flag("plugged"),
        figure(inner, "filter_nf", NANOFARAD, 0.0) * 1e-9,
        megohm(inner, "earth_mohm"),
    )
    inner.finish()
    return load


def _rcd(table: Table, rating_ma: float | None) -> RcdTruth | None:
    inner = table.table("rcd")
    if rating_ma is None:
        if inner is not None:
            table.fault("the plan has no RCD here", "rcd")
        return None
    share, trip_ms = DEFAULT_RCD_TRIP
    if inner is None:
        return RcdTruth(rating_ma, rating_ma * share, trip_ms)
    rcd = RcdTruth(
        rating_ma,
        figure(inner, "trip_ma", MILLIAMPERE, rating_ma * share),
        figure(inner, "trip_ms", MILLISECOND, trip_ms),
    )
    inner.finish()
    return rcd


def _swapped(table: Table, conductors: Sequence[str]) -> tuple[str, str] | None:
    text = table.text("swapped")
    if not text:
        return None
    a, _, b = text.partition("-")
    if a == b or not {a, b} <= set(conductors):
        table.fault(f"swapped is {quoted(text)}; write two of {', '.join(conductors)}, as in L-N", "swapped")
        return None
    return a, b
