"""What a rule may ask about an item: its kind, supply, device, load and cord, and how it is being tested.

`Facts` is the whole vocabulary of `when` in a pack; a fact that the plan does not say is None and satisfies nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

from logger.job.conductors import EARTH, NEUTRAL
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
        rcd_ma: rated residual current that governs the item, mA: its own device's, for an electrode the largest of all,
            for a portable device what it was tested as.
        breaking_ka: breaking capacity that governs the item, kA: its own, for a board the smallest behind it.
        test_v: test voltage in volts.
        multiple: test current as a multiple of the rated residual current; 1 where nothing else was set.
        pair: what kinds of conductor the test is taken between, one of `PAIRS`; None where it is none of them.
        element: `in` where the heating element's insulation to earth is in the reading, `out` where it is not; None
            where there is no element, or nobody can tell.
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
    pair: str | None = None
    element: str | None = None


PAIRS: Final = ("line-neutral", "line-earth", "line-line", "neutral-earth")
"""Kinds of two conductors, one on each lead."""

TEXT_FACTS: Final = ("system", "load", "protection", "rcd_type", "pair", "element")
FLAG_FACTS: Final = ("fed", "ring", "earthed", "sensitive", "heating", "rcd", "rcd_delayed")
NUMBER_FACTS: Final = (
    *("phases", "u0", "nominal_v", "heating_w", "protection_a", "breaking_ka", "rcd_ma"),
    *("cord_m", "cord_mm2", "test_v", "multiple"),
)

NAMES: Final = {
    "u0": "the supply's voltage",
    "nominal_v": "the supply's voltage",
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


def facts_of(
    item: Item,
    plan: Plan,
    voltage: str | None = None,
    setting: Mapping[str, str] | None = None,
    *,
    between: str = "",
    element: str | None = None,
) -> Facts:
    """The facts about `item` in `plan`, tested at `voltage` volts with the RCD `setting` (`multiple`, `rated`).

    Args:
        between: conductors on the leads, as `L/N`.
        element: where a circuit's heating element is (see `Facts`).
    """
    facts = _facts_of(item, plan, voltage, setting)
    return replace(facts, pair=pair_of(between), element=element)


def pair_of(between: str) -> str | None:
    """Which of `PAIRS` the conductors on two leads are; None where a lead holds several, or there are not two."""
    leads = between.split("/")
    if len(leads) != 2 or "" in leads or "+" in between:
        return None
    lines = [lead for lead in leads if lead not in {NEUTRAL, EARTH}]
    if len(lines) == 2:
        return "line-line"
    if not lines:
        return "neutral-earth"
    return "line-earth" if EARTH in leads else "line-neutral"


def _facts_of(item: Item, plan: Plan, voltage: str | None, setting: Mapping[str, str] | None) -> Facts:
    test_v = Decimal(voltage) if voltage is not None and is_decimal(voltage) else None
    said = (setting or {}).get("multiple", "1")
    multiple = Decimal(said) if is_decimal(said) else None
    if isinstance(item, Circuit):
        return _of_circuit(item, plan, test_v, multiple)
    if isinstance(item, Appliance):
        return _of_appliance(item, test_v, multiple, (setting or {}).get("rated"))
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
    three_phase = circuit.phase == "L1L2L3"
    nominal_v = circuit.nominal_v or _between_lines(u0, three_phase=three_phase)
    if circuit.nominal_v:
        u0 = circuit.nominal_v / ROOT_OF_THREE if three_phase else circuit.nominal_v
    return Facts(
        "circuit",
        system=str(supply.system) if supply else None,
        phases=Decimal(3 if three_phase else 1),
        u0=u0,
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


def _of_appliance(appliance: Appliance, test_v: Decimal | None, multiple: Decimal | None, rated: str | None) -> Facts:
    """`rated`: residual current that a portable device was tested as, mA; plans do not say it."""
    kind = kind_of(appliance)
    return Facts(
        kind,
        earthed=kind in {"class-I", "cord-set", "portable-rcd"},
        sensitive=appliance.electronics,
        heating=appliance.heating_w > 0,
        heating_w=appliance.heating_w,
        cord_m=appliance.cord.length_m,
        cord_mm2=appliance.cord.earth_mm2,
        rcd_ma=Decimal(rated) if rated is not None and is_decimal(rated) else None,
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
