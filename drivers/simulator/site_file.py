"""A site in from TOML: a plan, and the truth about it. Refused whole, with every fault, like a plan.

[site]
name = "Pottery studio"
plan = "pottery-studio.plan.toml"   # beside this file; whatever is not said here is sound and as the plan has it
temperature_c = 18                  # of all conductors
insulation_mohm_km = 20             # healthy cable, any two conductors
pf_per_m = 120
absorption = 0.03
[supply]
on = false                          # isolated upstream in line and neutral
loop_ohm = 0.25                     # line and neutral outside; earth_ohm (TN-S), source_earth_ohm
[meter]                             # maker model serial firmware calibrated_until battery_percent memory
serial = "SIM-1"                    # rate_at_most; talks_only = true (no receive line) with talk_rate
[leads]
ohm = 0.18                          # both; mark, leak_mohm, broken, pf
[[circuit]]
id = "C2"
runs = [                            # one before the first device of its path, and one behind each
  { length_m = 0.3 },
  { length_m = 14, insulation_mohm = { L-PE = 0.18 }, extra_ohm = { PE = 0.7 }, open = "N" },
]
cable = { line_mm2 = 1.5 }          # where another was built in than planned; swapped = "L-N" at the outlet
load = { ohm = 26, plugged = true, filter_nf = 10, earth_mohm = 50 }
rcd = { trip_ma = 21, trip_ms = 24 }
[[device]]
id = "K1"                           # start = "closed", contact_ohm = 0.2, open = "L" (a pole that never closes)
[[earth]]
id = "E1"                           # electrode_ohm (to the mass of earth), extra_ohm, broken
[[appliance]]
id = "T-014"                        # element_ohm filter_nf bond_ohm insulation_mohm extra_ohm open rcd
[[extra]]                           # a connection that should not be, between the far ends of two segments
from = "C1/N/1"
to = "C3/N/1"
ohm = 0.1
[[line]]                            # a fault of the line: see `faults`
at_s = 20
kind = "lost-frame"                 # frames = 3, or seconds = 3 where it lasts
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Final, Protocol, TypeVar

from drivers.codecs.meter_words import identity_frame
from drivers.simulator.site import Extra, MeterTruth, Site
from drivers.simulator.site_heads import read_leads, read_line_fault, read_meter, read_supply
from drivers.simulator.site_tables import (
    CELSIUS,
    MEGOHM,
    OHM,
    PICOFARAD,
    SHARE,
    check_sizes,
    figure,
    read_appliance,
    read_circuit,
    read_device,
    read_earth,
)
from logger import toml_lines
from logger.errors import CannotSend, InputWrong, SiteWrong
from logger.job.conductors import EARTH, NEUTRAL, STRAPPERS, lines_of_circuit
from logger.job.model import Appliance, JobKind, Plan
from logger.job.plan import load_plan
from logger.job.wiring import strapper_runs, wiring_faults
from logger.reading import Identity
from logger.text import harmless
from logger.toml_table import Faults, Table, nearest, quoted

FILE_BYTES_AT_MOST: Final = 1024 * 1024
"""A larger file is no site: a thousand circuits take a tenth of it."""

RESERVED_IDS: Final = ("open", "short")
"""Words that tell the leads where to go, and so cannot be items."""

_TABLES: Final = ("site", "supply", "meter", "leads", "circuit", "device", "earth", "appliance", "extra", "line")
_SEGMENT: Final = re.compile(r"([^/]+)/([^/]+)/([0-9]{1,4})")


class _HasId(Protocol):
    @property
    def id(self) -> str: ...


Part = TypeVar("Part", bound=_HasId)
Truth = TypeVar("Truth")


def read_site(path: Path) -> Site:
    """The site in the TOML file at `path`, checked; its plan lies beside it.

    Raises:
        SiteWrong: with every fault of the site.
        PlanWrong: with every fault of its plan.
        InputWrong: if the file cannot be read, or is no TOML.
    """
    text = _text_of(path)
    faults = Faults(harmless(path.name))
    try:
        values = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError) as wrong:
        raise SiteWrong(harmless(str(path)), [f"{faults.file}: not TOML: {harmless(str(wrong))}"]) from wrong
    site = _Reading(values, toml_lines.tables(text), faults, path.parent).site()
    if site is None or faults.found:
        raise SiteWrong(harmless(str(path)), faults.sentences())
    return site


class _Reading:
    """One site being read, every fault kept."""

    def __init__(
        self, values: Mapping[str, object], lines: dict[str, list[dict[str, int]]], faults: Faults, folder: Path
    ) -> None:
        self.values, self.lines, self.faults, self.folder = values, lines, faults, folder

    def site(self) -> Site | None:
        """The site as far as it can be read; whether it stands is said by the faults. None without a plan."""
        for name in self.values:
            if name not in _TABLES:
                self.faults.add(f"unknown table {quoted(name)}{nearest(name, _TABLES)}")
        head = self._single("site")
        plan_name = head.text("plan", required=True)
        if not plan_name:
            return None
        plan_path = self.folder / plan_name
        return self._about(load_plan(plan_path), plan_path, head)

    def _about(self, plan: Plan, plan_path: Path, head: Table) -> Site:
        self._check_plan(plan, head)
        site = Site(
            name=head.text("name", required=True),
            plan=plan,
            plan_path=plan_path,
            celsius=figure(head, "temperature_c", CELSIUS, 20.0),
            insulation_ohm_m=figure(head, "insulation_mohm_km", MEGOHM, 20.0) * 1e9,
            farad_per_m=figure(head, "pf_per_m", PICOFARAD, 120.0) * 1e-12,
            absorption=figure(head, "absorption", SHARE, 0.03),
            supply=read_supply(self._single("supply"), plan.supply),
            meter=self._meter(),
            leads=read_leads(self._single("leads")),
            circuits=self._truths("circuit", plan.circuits, read_circuit),
            earths=self._truths("earth", plan.earths, read_earth),
            appliances=self._truths("appliance", plan.appliances, read_appliance),
            devices=self._truths("device", tuple(plan.devices.values()), read_device),
            extras=tuple(self._extra(table, plan) for table in self._listed("extra")),
            script=tuple(read_line_fault(table) for table in self._listed("line")),
        )
        head.finish()
        return site

    def _check_plan(self, plan: Plan, head: Table) -> None:
        for item in plan.items:
            if item.id in RESERVED_IDS:
                head.fault(f"the plan has an item {quoted(item.id)}, which the leads take for a place of their own")
            cable = item.cord if isinstance(item, Appliance) else item.cable
            check_sizes(Table({}, f"plan, {item.id}", self.faults), cable)
        for circuit in plan.circuits:
            if circuit.ring:
                head.fault(f"the plan has the ring {quoted(circuit.id)}, and rings are not simulated")
        for wiring_fault in wiring_faults(plan):
            head.fault(f"the plan cannot be wired: {wiring_fault}")
        if plan.kind is JobKind.APPLIANCES and "supply" in self.values:
            head.fault("a site of appliances has no [supply]; the tester feeds them")

    def _meter(self) -> MeterTruth:
        table = self._single("meter")
        meter = read_meter(table)
        try:
            identity_frame(
                Identity(meter.serial, "0" * 8, meter.maker, meter.model, meter.firmware, meter.calibrated_until, 100,
                         "Z" * 10)
            )  # fmt: skip
        except CannotSend as wrong:
            table.fault(f"what the meter says of itself does not fit on the line: {wrong}".rstrip("."))
        return meter

    def _truths(self, name: str, parts: tuple[Part, ...], read: Callable[[Table, Part], Truth]) -> dict[str, Truth]:
        """The truth of every part: what the site says, or sound as planned."""
        known = {part.id: part for part in parts}
        truths: dict[str, Truth] = {}
        for table in self._listed(name):
            part_id = table.text("id", required=True)
            if part_id and part_id not in known:
                table.fault(f"the plan has no {name} {quoted(part_id)}{nearest(part_id, known) if known else ''}", "id")
            elif part_id in truths:
                table.fault(f"{name} {quoted(part_id)} is described twice", "id")
            elif part_id:
                truths[part_id] = read(table, known[part_id])
        silent = Faults(self.faults.file)
        return {
            part.id: truths[part.id] if part.id in truths else read(Table({"id": part.id}, "", silent), part)
            for part in parts
        }

    def _extra(self, table: Table, plan: Plan) -> Extra:
        ends = {key: table.text(key, required=True) for key in ("from", "to")}
        for key, end in ends.items():
            if end and not _is_segment(end, plan):
                table.fault(f"{key} is {quoted(end)}, which is no segment; write ITEM/CONDUCTOR/k, as in C1/N/0", key)
        extra = Extra(ends["from"], ends["to"], figure(table, "ohm", OHM, 0.1))
        table.finish()
        return extra

    def _single(self, name: str) -> Table:
        value = self.values.get(name, {})
        lines = self.lines.get(name, [{}])[0]
        if not isinstance(value, Mapping):
            self.faults.add(f"{name} must be a table: write [{name}]", lines.get(""))
            value = {}
        elif name == "site" and name not in self.values:
            self.faults.add("the table [site] is missing")
        return Table(value, f"[{name}]", self.faults, lines)

    def _listed(self, name: str) -> list[Table]:
        values = self.values.get(name, [])
        lines = self.lines.get(name, [])
        if not isinstance(values, list) or not all(isinstance(value, Mapping) for value in values):
            self.faults.add(f"{name} must be a list of tables: write [[{name}]] over each")
            return []
        if len(lines) != len(values):
            lines = [{} for _ in values]
        return [
            Table(value, f"{name} {quoted(value['id'])}" if value.get("id") else f"[[{name}]]", self.faults, where)
            for value, where in zip(values, lines, strict=True)
        ]


def _is_segment(text: str, plan: Plan) -> bool:
    match = _SEGMENT.fullmatch(text)
    if match is None:
        return False
    item, conductor, k = match[1], match[2], int(match[3])
    for circuit in plan.circuits:
        if circuit.id == item:
            straps = strapper_runs(circuit.path)
            lines = STRAPPERS if k in straps else lines_of_circuit(circuit)
            return k <= len(circuit.path) and conductor in (*lines, NEUTRAL, EARTH)
    lines = ("L1", "L2", "L3") if plan.supply and plan.supply.phases == 3 else ("L",)
    if any(board.id == item for board in plan.boards):
        return k <= 1 and conductor in (*lines, NEUTRAL, EARTH)
    return k == 0 and conductor == EARTH and any(earth.id == item for earth in plan.earths)


def _text_of(path: Path) -> str:
    shown = harmless(str(path))
    try:
        with path.open("rb") as file:
            data = file.read(FILE_BYTES_AT_MOST + 1)
        if len(data) > FILE_BYTES_AT_MOST:
            raise InputWrong(f"The file {shown} is larger than {FILE_BYTES_AT_MOST // 1024} KiB", "a site is short")
        return data.decode("utf-8-sig")
    except FileNotFoundError as missing:
        raise InputWrong(f"There is no file {shown}", "check the name and the folder") from missing
    except UnicodeDecodeError as wrong:
        raise InputWrong(f"The file {shown} is not UTF-8 text", "save it as UTF-8") from wrong
    except (OSError, ValueError) as refused:
        reason = getattr(refused, "strerror", None) or str(refused)
        raise InputWrong(f"The file {shown} cannot be read ({reason})", "check who may read it") from refused
