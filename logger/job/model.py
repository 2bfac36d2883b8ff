"""The plan as values: supply, boards, circuits with their devices, earths, appliances.

`logger.job.plan` reads these from TOML and checks them; everything else works on them. All are frozen; lengths are
metres, sections mm², currents amperes (residual ones milliamperes), powers watts, each exact as it was written.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Final

from logger.quantity import Test


class JobKind(StrEnum):
    """What a job is about."""

    INSTALLATION = "installation"
    APPLIANCES = "appliances"


class Decision(StrEnum):
    """How a verdict near a limit is taken (JCGM 106)."""

    SIMPLE = "simple"
    GUARDED = "guarded"


class EarthingSystem(StrEnum):
    """Earthing of the supply (IEC 60364-1)."""

    TN_S = "TN-S"
    TN_C_S = "TN-C-S"
    TT = "TT"
    IT = "IT"


class DeviceKind(StrEnum):
    """What stands between two runs of a circuit, or at a board."""

    BREAKER = "breaker"
    RCD = "rcd"
    ONE_WAY = "one-way"
    TWO_WAY = "two-way"
    INTERMEDIATE = "intermediate"
    ISOLATOR = "isolator"
    CONTACTOR = "contactor"
    JOINT = "joint"
    MAIN_SWITCH = "main-switch"
    LINK = "link"
    """The neutral-to-earth link of a board."""


POSITIONS: Final[dict[DeviceKind, tuple[str, ...]]] = {
    DeviceKind.BREAKER: ("on", "off"),
    DeviceKind.RCD: ("on", "off"),
    DeviceKind.ONE_WAY: ("on", "off"),
    DeviceKind.TWO_WAY: ("1", "2"),
    DeviceKind.INTERMEDIATE: ("straight", "crossed"),
    DeviceKind.ISOLATOR: ("on", "off"),
    DeviceKind.CONTACTOR: ("open", "closed"),
    DeviceKind.JOINT: (),
    DeviceKind.MAIN_SWITCH: ("on", "off"),
    DeviceKind.LINK: ("in", "out"),
}
"""Positions each kind can take; the first is where it starts."""


class ApplianceClass(StrEnum):
    """Protection class of an appliance, or what kind of lead it is."""

    I = "I"  # noqa: E741 - the class is called that
    II = "II"
    III = "III"
    CORD_SET = "cord-set"
    PORTABLE_RCD = "portable-rcd"


@dataclass(frozen=True, slots=True)
class Supply:
    """The supply: `voltage` is the nominal line-to-earth voltage in volts; `phases` is 1 or 3."""

    system: EarthingSystem
    voltage: Decimal
    phases: int = 1
    ze_ohm: Decimal | None = None
    """Declared or measured loop impedance outside the installation, ohms."""


@dataclass(frozen=True, slots=True)
class Device:
    """Something with a position. `poles`: 1 switches line only, 2 line and neutral, 3/4 likewise on three phases."""

    id: str
    kind: DeviceKind
    poles: int = 1

    @property
    def positions(self) -> tuple[str, ...]:
        """What it can be set to; the first is where it starts; empty for a joint."""
        return POSITIONS[self.kind]


@dataclass(frozen=True, slots=True)
class Protection:
    """Overcurrent device: `type` is B, C, D or a fuse system; `rating_a` its rated current."""

    type: str
    rating_a: Decimal
    breaking_ka: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Rcd:
    """Residual current device: `type` AC, A, F or B; rated residual current in mA; `delayed` for selective ones."""

    type: str
    rating_ma: Decimal
    delayed: bool = False


@dataclass(frozen=True, slots=True)
class Cable:
    """A run of cable. Sections in mm²; None where the conductor is not there or not said."""

    length_m: Decimal | None = None
    line_mm2: Decimal | None = None
    neutral_mm2: Decimal | None = None
    earth_mm2: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Load:
    """What hangs on the end. `kind`: lighting, sockets, heating, motor, electronics, mixed."""

    kind: str
    power_w: Decimal | None = None
    surge_protected: bool = False


@dataclass(frozen=True, slots=True)
class Board:
    """A distribution board. `feed` is the board it hangs on; None where the supply comes in."""

    id: str
    name: str = ""
    main_switch: str | None = None
    neutral_earth_link: str | None = None
    feed: str | None = None
    cable: Cable = Cable()
    required: tuple[Test, ...] | None = None


@dataclass(frozen=True, slots=True)
class Circuit:
    """A circuit from its board outwards.

    Attributes:
        path: devices in order; the run 0 lies before the first, run k behind the k-th.
        phase: `L` on a single-phase supply, else `L1`, `L2`, `L3` or `L1L2L3`.
        ring: a ring final circuit.
        nominal_v: nominal voltage of the circuit in volts where it differs from the supply's (extra-low voltage).
        required: tests that the plan demands; None leaves it to the rule pack.
    """

    id: str
    board: str
    name: str = ""
    protection: Protection | None = None
    rcd: Rcd | None = None
    cable: Cable = Cable()
    load: Load | None = None
    path: tuple[Device, ...] = ()
    phase: str = "L"
    ring: bool = False
    nominal_v: Decimal | None = None
    required: tuple[Test, ...] | None = None

    @property
    def has_rcd(self) -> bool:
        """Whether an RCD is described, or stands along the path."""
        return self.rcd is not None or any(device.kind is DeviceKind.RCD for device in self.path)


class EarthKind(StrEnum):
    """What an earthing conductor is for."""

    MAIN_EARTH = "main-earth"
    BONDING = "bonding"
    ELECTRODE = "electrode"


@dataclass(frozen=True, slots=True)
class Earth:
    """An earthing or bonding conductor, or an electrode."""

    id: str
    kind: EarthKind
    name: str = ""
    board: str | None = None
    cable: Cable = Cable()
    required: tuple[Test, ...] | None = None


@dataclass(frozen=True, slots=True)
class Appliance:
    """Something with a plug. `cord`: its length and the section of its conductors (`earth_mm2`)."""

    id: str
    appliance_class: ApplianceClass
    name: str = ""
    cord: Cable = Cable()
    heating_w: Decimal = Decimal(0)
    environment: str = ""
    electronics: bool = False
    required: tuple[Test, ...] | None = None


Item = Board | Circuit | Earth | Appliance


@dataclass(frozen=True)
class Plan:
    """A whole job. Ids are unique over items and devices alike (a `[[board]]`'s switch and link are devices)."""

    title: str
    kind: JobKind
    rules: str
    decision: Decision = Decision.SIMPLE
    operator: str = ""
    supply: Supply | None = None
    boards: tuple[Board, ...] = ()
    circuits: tuple[Circuit, ...] = ()
    earths: tuple[Earth, ...] = ()
    appliances: tuple[Appliance, ...] = ()

    @property
    def items(self) -> tuple[Item, ...]:
        """Boards, earths, circuits, appliances, each in plan order: the order in which work is listed."""
        return (*self.boards, *self.earths, *self.circuits, *self.appliances)

    def item(self, item_id: str) -> Item | None:
        """The item of that id, or None."""
        return next((item for item in self.items if item.id == item_id), None)

    @property
    def devices(self) -> dict[str, Device]:
        """Everything with a position, by id: main switches and links of boards, then devices along circuits."""
        found: dict[str, Device] = {}
        for board in self.boards:
            if board.main_switch:
                found[board.main_switch] = Device(board.main_switch, DeviceKind.MAIN_SWITCH, poles=2)
            if board.neutral_earth_link:
                found[board.neutral_earth_link] = Device(board.neutral_earth_link, DeviceKind.LINK)
        for circuit in self.circuits:
            found.update((device.id, device) for device in circuit.path)
        return found
