"""What a site's TOML says of supply, meter and leads, and its scripted faults. Its items are read in `site_tables`."""

from __future__ import annotations

from decimal import Decimal
from math import inf
from typing import Final

from drivers.simulator.bench import SOUND_LEADS
from drivers.simulator.faults import COUNTED, KINDS, TIMED, check_fault
from drivers.simulator.site import LeadSet, MeterTruth, ScriptedFault, SupplyTruth
from drivers.simulator.site_tables import OHM, PICOFARAD, figure, megohm
from logger.errors import InputWrong
from logger.job.model import EarthingSystem, Supply
from logger.toml_table import Bounds, Table

PERCENT: Final = Bounds(Decimal(0), Decimal(100), "%", low_counts=True)
RECORDS: Final = Bounds(Decimal(0), Decimal(200_000), "readings", low_counts=True)
RATE: Final = Bounds(Decimal(1), Decimal(500), "readings a second", low_counts=True)
SECONDS: Final = Bounds(Decimal(0), Decimal(360_000), "s", low_counts=True)

DEFAULT_MEMORY: Final = 20_000
"""Readings that a meter keeps where the site does not say: half a minute at the highest rate, half an hour at 10/s."""


def read_supply(table: Table, plan: Supply | None) -> SupplyTruth:
    """`[supply]`."""
    truth = SupplyTruth(
        on=table.flag("on"),
        volts=float(plan.voltage if plan else Decimal(230)),
        loop_ohm=figure(table, "loop_ohm", OHM, 0.25),
        earth_ohm=figure(table, "earth_ohm", OHM, 0.35),
        source_earth_ohm=figure(table, "source_earth_ohm", OHM, 2.0),
    )
    if plan and plan.system is not EarthingSystem.TN_S and table.has("earth_ohm"):
        table.fault("earth_ohm needs a supply that brings an earth conductor of its own (TN-S)", "earth_ohm")
    table.finish()
    return truth


def read_meter(table: Table) -> MeterTruth:
    """`[meter]`."""
    truth = MeterTruth(
        maker=table.text("maker") or "Practice",
        model=table.text("model") or "Simulated meter",
        serial=table.text("serial") or "SIM-1",
        firmware=table.text("firmware") or "1.0",
        calibrated_until=table.text("calibrated_until"),
        battery_percent=table.whole("battery_percent", PERCENT, 87),
        memory=table.whole("memory", RECORDS, DEFAULT_MEMORY),
        rate_at_most=table.whole("rate_at_most", RATE, 500),
        talks_only=table.flag("talks_only"),
        talk_rate=table.whole("talk_rate", RATE, 2),
    )
    table.finish()
    return truth


def read_leads(table: Table) -> LeadSet:
    """`[leads]`: sound ones where nothing is said."""
    broken = table.flag("broken")
    ohm = figure(table, "ohm", OHM, SOUND_LEADS.ohm)
    truth = LeadSet(
        mark=table.text("mark", at_most=10) or SOUND_LEADS.mark,
        ohm=inf if broken else ohm,
        leak_ohm=megohm(table, "leak_mohm"),
        farad=figure(table, "pf", PICOFARAD, SOUND_LEADS.farad * 1e12) * 1e-12,
    )
    table.finish()
    return truth


def read_line_fault(table: Table) -> ScriptedFault:
    """A `[[line]]`."""
    kind = table.one_of("kind", KINDS, required=True)
    at_s = figure(table, "at_s", SECONDS, 0.0)
    amounts = {key: table.number(key, SECONDS) for key in ("frames", "seconds")}
    wanted = "seconds" if kind in TIMED else "frames" if kind in COUNTED else ""
    for key, amount in amounts.items():
        if amount is not None and kind and key != wanted:
            table.fault(f"{kind} is not counted in {key}", key)
    amount = amounts.get(wanted)
    fault = ScriptedFault(at_s, kind, float(1 if amount is None else amount))
    try:
        check_fault(kind or KINDS[0], fault.amount)
    except InputWrong as wrong:
        table.fault(str(wrong).rstrip("."), wanted)
    table.finish()
    return fault
