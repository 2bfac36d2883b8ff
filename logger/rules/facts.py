"""What a rule may ask about an item: its kind, supply, device, load and cord, and how it is being tested.

`Facts` is the whole vocabulary of `when` in a pack; a fact that the plan does not say is None and satisfies nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from logger.job.model import Appliance, Board, Circuit, Earth, Item, Plan
from logger.quantity import is_decimal

ROOT_OF_THREE: Final = Decimal("1.7320508")
"""Line-to-line over line-to-earth voltage; eight digits are more than any nominal voltage has."""

ITEM_KINDS: Final = (
    *("board", "circuit", "main-earth", "bonding", "electrode"),
    *("class-I", "class-II", "class-III", "cord-set", "portable-rcd"),
)
"""What a pack calls the items of a plan."""


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything a condition or a formula may use. Text, flags and figures; None where the plan does not say.

    Attributes:
        item: one of `ITEM_KINDS`.
        u0: nominal line-to-earth voltage of the supply, volts.
        nominal_v: nominal voltage of the circuit between its own conductors, volts.
        rcd_ma: rated residual current that governs the item, mA: its own device's, for an electrode the largest of all.
        breaking_ka: breaking capacity that governs the item, kA: its own, for a board the smallest behind it.
        test_v: test voltage in volts.
        multiple: test current as a multiple of the rated residual current; 1 where nothing else was set.
    """

    item: str
    system: str | None = None
    phases: Decimal | None = None
    u0: Decimal | None = None
    nominal_v: Decimal | None = None
    fed: bool = False
    ring: bool = False
    earthed: bool = False
    load: str | None = None
    sensitive: bool = False
    heating: bool = False
    heating_w: Decimal | None = None
    protection: str | None = None
    protection_a: Decimal | None = None
    breaking_ka: Decimal | None = None
    rcd: bool = False
    rcd_type: str | None = None
    rcd_ma: Decimal | None = None
    rcd_delayed: bool = False
    cord_m: Decimal | None = None
    cord_mm2: Decimal | None = None
    test_v: Decimal | None = None
    multiple: Decimal | None = None


TEXT_FACTS: Final = ("system", "load", "protection", "rcd_type")
FLAG_FACTS: Final = ("fed", "ring", "earthed", "sensitive", "heating", "rcd", "rcd_delayed")
NUMBER_FACTS: Final = (
    *("phases", "u0", "nominal_v", "heating_w", "protection_a", "breaking_ka", "rcd_ma"),
    *("cord_m", "cord_mm2", "test_v", "multiple"),
)

NAMES: Final = {
    "u0": "the supply's voltage",
    "protection": "the protective device",
    "protection_a": "the protective device's rating",
    "breaking_ka": "the device's breaking capacity",
    "rcd_ma": "the residual current device's rating",
    "cord_m": "the length of the cord",
    "cord_mm2": "the section of the cord",
    "heating_w": "the heating power",
}
"""How a person calls a fact that is missing."""


def kind_of(item: Item) -> str:
    """Which of `ITEM_KINDS` an item is."""
    if isinstance(item, Appliance):
        name = str(item.appliance_class)
        return name if name in ITEM_KINDS else f"class-{name}"
    if isinstance(item, Earth):
        return str(item.kind)
    return "circuit" if isinstance(item, Circuit) else "board"


def facts_of(item: Item, plan: Plan, voltage: str | None = None, setting: Mapping[str, str] | None = None) -> Facts:
    """The facts about `item` in `plan`, tested at `voltage` volts with the RCD `setting` (`multiple`, `phase`)."""
    test_v = Decimal(voltage) if voltage is not None and is_decimal(voltage) else None
    said = (setting or {}).get("multiple", "1")
    multiple = Decimal(said) if is_decimal(said) else None
    if isinstance(item, Circuit):
        return _of_circuit(item, plan, test_v, multiple)
    if isinstance(item, Appliance):
        return _of_appliance(item, test_v, multiple)
    supply = plan.supply
    phases = Decimal(supply.phases) if supply else None
    u0 = supply.voltage if supply else None
    system = str(supply.system) if supply else None
    if isinstance(item, Earth):
        return Facts(str(item.kind), system, phases, u0, rcd_ma=_largest_rcd(plan), test_v=test_v, multiple=multiple)
    return Facts(
        "board",
        system,
        phases,
        u0,
        nominal_v=_between_lines(u0, three_phase=bool(supply and supply.phases == 3)),
        fed=item.feed is not None,
        earthed=True,
        breaking_ka=_smallest_breaking(item, plan),
        test_v=test_v,
        multiple=multiple,
    )


def _of_circuit(circuit: Circuit, plan: Plan, test_v: Decimal | None, multiple: Decimal | None) -> Facts:
    supply, protection, rcd, load = plan.supply, circuit.protection, circuit.rcd, circuit.load
    u0 = supply.voltage if supply else None
    nominal_v = circuit.nominal_v or _between_lines(u0, three_phase=circuit.phase == "L1L2L3")
    return Facts(
        "circuit",
        system=str(supply.system) if supply else None,
        phases=Decimal(3 if circuit.phase == "L1L2L3" else 1),
        u0=circuit.nominal_v or u0,
        nominal_v=nominal_v,
        ring=circuit.ring,
        earthed=nominal_v is None or nominal_v > EXTRA_LOW_V or circuit.cable.earth_mm2 is not None,
        load=load.kind if load else None,
        sensitive=bool(load and (load.surge_protected or load.kind == "electronics")),
        heating=bool(load and load.kind == "heating"),
        heating_w=load.power_w if load and load.kind == "heating" else None,
        protection=protection.type if protection else None,
        protection_a=protection.rating_a if protection else None,
        breaking_ka=protection.breaking_ka if protection else None,
        rcd=rcd is not None,
        rcd_type=rcd.type if rcd else None,
        rcd_ma=rcd.rating_ma if rcd else None,
        rcd_delayed=bool(rcd and rcd.delayed),
        test_v=test_v,
        multiple=multiple,
    )


def _of_appliance(appliance: Appliance, test_v: Decimal | None, multiple: Decimal | None) -> Facts:
    kind = kind_of(appliance)
    return Facts(
        kind,
        earthed=kind in {"class-I", "cord-set", "portable-rcd"},
        sensitive=appliance.electronics,
        heating=appliance.heating_w > 0,
        heating_w=appliance.heating_w,
        cord_m=appliance.cord.length_m,
        cord_mm2=appliance.cord.earth_mm2,
        test_v=test_v,
        multiple=multiple,
    )


EXTRA_LOW_V: Final = Decimal(50)
"""Upper end of extra-low voltage for alternating current, volts (IEC 61140)."""


def _between_lines(u0: Decimal | None, *, three_phase: bool) -> Decimal | None:
    return u0 * ROOT_OF_THREE if u0 is not None and three_phase else u0


def _largest_rcd(plan: Plan) -> Decimal | None:
    """The residual current that the electrode must carry at most: that of the least sensitive device."""
    return max((circuit.rcd.rating_ma for circuit in plan.circuits if circuit.rcd), default=None)


def _smallest_breaking(board: Board, plan: Plan) -> Decimal | None:
    devices = [circuit.protection for circuit in plan.circuits if circuit.board == board.id]
    return min((device.breaking_ka for device in devices if device and device.breaking_ka), default=None)
