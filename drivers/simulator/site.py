"""A site: the plan of an installation or of appliances, and the truth about it, planted faults included.

Values only. `site_file` reads them from TOML; `wiring` makes a network of them; `bench` is the site under an
operator's hands. Figures are floats in base units where a name says nothing else: this is the world, which is
measured, and not a record, which must be exact.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from logger.job.conductors import lines_of
from logger.job.model import Cable, Plan

BODY: Final = "body"
"""Metal of an appliance that can be touched."""


@dataclass(frozen=True, slots=True)
class Run:
    """The cable between two devices of a circuit.

    Attributes:
        leak_ohm: insulation resistance of a pair of conductors where it is not that of healthy cable.
        open: conductors that are broken.
        extra_ohm: ohms in series with a conductor: a bad joint.
    """

    length_m: float
    leak_ohm: Mapping[tuple[str, str], float] = field(default_factory=dict)
    open: frozenset[str] = frozenset()
    extra_ohm: Mapping[str, float] = field(default_factory=dict)

    def mended(self) -> Run:
        """The same run without its faults."""
        return Run(self.length_m)


@dataclass(frozen=True, slots=True)
class LoadTruth:
    """What hangs between line and neutral at the end of a circuit.

    Attributes:
        plugged: whether it is connected at the start.
        filter_farad: capacitance of its filter, line to earth and neutral to earth each.
        earth_leak_ohm: its own insulation, line to earth; infinite where it is perfect.
    """

    ohm: float
    plugged: bool
    filter_farad: float
    earth_leak_ohm: float


@dataclass(frozen=True, slots=True)
class RcdTruth:
    """How a residual current device really behaves: trips from `trip_ma` up, after `trip_ms` at its rated current."""

    rating_ma: float
    trip_ma: float
    trip_ms: float


@dataclass(frozen=True, slots=True)
class CircuitTruth:
    """A circuit as it was really built: `runs[k]` lies behind the k-th device.

    `swapped`: two conductors that change places at the outlet.
    """

    cable: Cable
    runs: tuple[Run, ...]
    load: LoadTruth | None = None
    rcd: RcdTruth | None = None
    swapped: tuple[str, str] | None = None

    def mended(self) -> CircuitTruth:
        """The same circuit without planted faults."""
        return CircuitTruth(self.cable, tuple(run.mended() for run in self.runs), self.load, self.rcd)


@dataclass(frozen=True, slots=True)
class EarthTruth:
    """An earthing conductor: its run, and the resistance of its far end to the mass of earth (infinite: none)."""

    cable: Cable
    run: Run
    electrode_ohm: float

    def mended(self) -> EarthTruth:
        """The same without a break or a bad joint."""
        return EarthTruth(self.cable, self.run.mended(), self.electrode_ohm)


@dataclass(frozen=True, slots=True)
class ApplianceTruth:
    """An appliance: cord, element, insulation at the far end of its cord, filter.

    Attributes:
        element_ohm: between line and neutral; infinite where there is none (a cord set) or it is switched off.
        filter_farad: line to earth (class I) or line to the body (class II), and neutral likewise.
        bond_ohm: from the far end of the earth conductor to the metal that can be touched.
        rcd: of a portable residual current device.
    """

    cord: Run
    element_ohm: float
    filter_farad: float
    bond_ohm: float
    rcd: RcdTruth | None = None

    def mended(self) -> ApplianceTruth:
        """The same without planted faults."""
        return ApplianceTruth(self.cord.mended(), self.element_ohm, self.filter_farad, 0.0, self.rcd)


@dataclass(frozen=True, slots=True)
class DeviceTruth:
    """A device as it is found: `start` is its first position; `contact_ohm` of each closed contact; `open` for ever."""

    start: str
    contact_ohm: float
    open: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class SupplyTruth:
    """The supply outside the installation.

    Attributes:
        on: whether it is connected at the start. Off means isolated upstream in line and neutral.
        volts: line to neutral.
        loop_ohm: line and neutral outside, there and back.
        earth_ohm: from the installation's earth back to the source, where the supply brings an earth.
        source_earth_ohm: from the source's star point to the mass of earth.
    """

    on: bool
    volts: float
    loop_ohm: float
    earth_ohm: float
    source_earth_ohm: float


@dataclass(frozen=True, slots=True)
class MeterTruth:
    """The meter on this site: what it says of itself, and its limits.

    Attributes:
        memory: readings and events it keeps to send again.
        rate_at_most: readings a second it manages.
        talks_only: it has no receive line and sends by itself, at `talk_rate` readings a second.
    """

    maker: str
    model: str
    serial: str
    firmware: str
    calibrated_until: str
    battery_percent: int
    memory: int
    rate_at_most: int
    talks_only: bool
    talk_rate: int


@dataclass(frozen=True, slots=True)
class LeadSet:
    """A set of test leads.

    Attributes:
        mark: what stands on them.
        ohm: both leads and their clips in series; infinite for a broken lead.
        leak_ohm: between the leads; infinite for sound ones.
        farad: between the leads.
    """

    mark: str
    ohm: float
    leak_ohm: float
    farad: float


@dataclass(frozen=True, slots=True)
class Extra:
    """A connection that should not be: between two segments, at their far ends."""

    a: str
    b: str
    ohm: float


@dataclass(frozen=True, slots=True)
class ScriptedFault:
    """A fault of the line or the meter: `at_s` seconds after the start, of `kind`, so many frames or seconds of it."""

    at_s: float
    kind: str
    amount: float


@dataclass(frozen=True)
class Site:
    """A plan and the truth about each of its parts, by id; every part of the plan has its truth.

    Attributes:
        insulation_ohm_m: insulation of healthy cable between any two conductors: ohm times metre.
        farad_per_m: capacitance of cable between any two conductors.
        absorption: see `charging.output`.
    """

    name: str
    plan: Plan
    plan_path: Path
    celsius: float
    insulation_ohm_m: float
    farad_per_m: float
    absorption: float
    supply: SupplyTruth
    meter: MeterTruth
    leads: LeadSet
    circuits: Mapping[str, CircuitTruth]
    earths: Mapping[str, EarthTruth]
    appliances: Mapping[str, ApplianceTruth]
    devices: Mapping[str, DeviceTruth]
    extras: tuple[Extra, ...]
    script: tuple[ScriptedFault, ...]

    @property
    def lines(self) -> tuple[str, ...]:
        """The line conductors of the supply."""
        return lines_of(self.plan)
