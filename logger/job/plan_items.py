"""What each table of a plan says: supply, board, circuit, earth, appliance, read from a `plan_table.Table`.

Only single tables are read here; what must hold between them (ids, feeds, phases) is in `plan_checks`.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from logger.job.model import (
    Appliance,
    ApplianceClass,
    Board,
    Cable,
    Circuit,
    Device,
    DeviceKind,
    Earth,
    EarthingSystem,
    EarthKind,
    Load,
    Protection,
    Rcd,
    Supply,
)
from logger.quantity import Test
from logger.toml_table import Bounds, Table

# What figures in a plan may be. The upper ends lie far above anything built at low voltage: they stop a slipped finger
# (a length in millimetres, a rating in milliamperes), not an unusual installation.
LENGTH: Final = Bounds(Decimal(0), Decimal(10_000), "m")
SECTION: Final = Bounds(Decimal(0), Decimal(1000), "mm²")
VOLTAGE: Final = Bounds(Decimal(0), Decimal(1500), "V")
IMPEDANCE: Final = Bounds(Decimal(0), Decimal(100_000), "Ω", low_counts=True)
RATING: Final = Bounds(Decimal(0), Decimal(6300), "A")
BREAKING: Final = Bounds(Decimal(0), Decimal(200), "kA")
RESIDUAL: Final = Bounds(Decimal(0), Decimal(30_000), "mA")
POWER: Final = Bounds(Decimal(0), Decimal(1_000_000), "W", low_counts=True)
POLES: Final = Bounds(Decimal(1), Decimal(4), "", low_counts=True)
PHASES: Final = Bounds(Decimal(1), Decimal(3), "", low_counts=True)

RCD_TYPES: Final = ("AC", "A", "F", "B")
LOAD_KINDS: Final = ("lighting", "sockets", "heating", "motor", "electronics", "mixed")
CIRCUIT_PHASES: Final = ("L", "L1", "L2", "L3", "L1L2L3")
PATH_KINDS: Final = tuple(str(kind) for kind in DeviceKind if kind not in {DeviceKind.MAIN_SWITCH, DeviceKind.LINK})
"""Kinds that can stand along a circuit; a main switch and a link belong to their board."""


def read_supply(table: Table) -> Supply:
    """`[supply]`."""
    supply = Supply(
        system=table.word("system", EarthingSystem, EarthingSystem.TN_S, required=True),
        voltage=table.number("voltage", VOLTAGE, required=True) or Decimal(230),
        phases=table.whole("phases", PHASES, 1),
        ze_ohm=table.number("ze_ohm", IMPEDANCE),
    )
    if supply.phases == 2:
        table.fault("phases is 2, it must be 1 or 3", "phases")
    table.finish()
    return supply


def read_board(table: Table) -> Board:
    """A `[[board]]`."""
    board = Board(
        id=table.text("id", required=True),
        name=table.text("name"),
        main_switch=table.text("main_switch") or None,
        neutral_earth_link=table.text("neutral_earth_link") or None,
        feed=table.text("feed") or None,
        cable=_cable(table),
        required=table.words("required", Test),
    )
    table.finish()
    return board


def read_circuit(table: Table) -> Circuit:
    """A `[[circuit]]`."""
    circuit = Circuit(
        id=table.text("id", required=True),
        board=table.text("board", required=True),
        name=table.text("name"),
        protection=_protection(table),
        rcd=_rcd(table),
        cable=_cable(table),
        load=_load(table),
        path=tuple(_device(inner) for inner in table.tables("path")),
        phase=table.one_of("phase", CIRCUIT_PHASES) or "L",
        ring=table.flag("ring"),
        nominal_v=table.number("nominal_v", VOLTAGE),
        required=table.words("required", Test),
    )
    table.finish()
    return circuit


def read_earth(table: Table) -> Earth:
    """An `[[earth]]`."""
    earth = Earth(
        id=table.text("id", required=True),
        kind=table.word("kind", EarthKind, EarthKind.MAIN_EARTH, required=True),
        name=table.text("name"),
        board=table.text("board") or None,
        cable=_cable(table),
        required=table.words("required", Test),
    )
    table.finish()
    return earth


def read_appliance(table: Table) -> Appliance:
    """An `[[appliance]]`."""
    appliance = Appliance(
        id=table.text("id", required=True),
        appliance_class=table.word("class", ApplianceClass, ApplianceClass.I, required=True),
        name=table.text("name"),
        cord=_cord(table),
        heating_w=table.number("heating_w", POWER) or Decimal(0),
        environment=table.text("environment"),
        electronics=table.flag("electronics"),
        required=table.words("required", Test),
    )
    table.finish()
    return appliance


def _cable(table: Table) -> Cable:
    inner = table.table("cable")
    if inner is None:
        return Cable()
    cable = Cable(
        length_m=inner.number("length_m", LENGTH),
        line_mm2=inner.number("line_mm2", SECTION),
        neutral_mm2=inner.number("neutral_mm2", SECTION),
        earth_mm2=inner.number("earth_mm2", SECTION),
    )
    inner.finish()
    return cable


def _cord(table: Table) -> Cable:
    inner = table.table("cord")
    if inner is None:
        return Cable()
    cord = Cable(length_m=inner.number("length_m", LENGTH), earth_mm2=inner.number("mm2", SECTION))
    inner.finish()
    return cord


def _protection(table: Table) -> Protection | None:
    inner = table.table("protection")
    if inner is None:
        return None
    kind = inner.text("type", required=True, at_most=40)
    rating = inner.number("rating_a", RATING, required=True)
    breaking = inner.number("breaking_ka", BREAKING)
    inner.finish()
    return Protection(kind, rating, breaking) if rating is not None else None


def _rcd(table: Table) -> Rcd | None:
    inner = table.table("rcd")
    if inner is None:
        return None
    kind = inner.one_of("type", RCD_TYPES, required=True)
    rating = inner.number("rating_ma", RESIDUAL, required=True)
    delayed = inner.flag("delayed")
    inner.finish()
    return Rcd(kind, rating, delayed) if rating is not None else None


def _load(table: Table) -> Load | None:
    inner = table.table("load")
    if inner is None:
        return None
    load = Load(
        kind=inner.one_of("kind", LOAD_KINDS, required=True),
        power_w=inner.number("power_w", POWER),
        surge_protected=inner.flag("surge_protected"),
    )
    inner.finish()
    return load


def _device(table: Table) -> Device:
    identifier = table.text("id", required=True)
    kind = table.one_of("kind", PATH_KINDS, required=True)
    poles = table.whole("poles", POLES, 1)
    table.finish()
    return Device(identifier, DeviceKind(kind) if kind else DeviceKind.JOINT, poles)
