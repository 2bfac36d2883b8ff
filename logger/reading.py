"""What a meter says: who it is, what it can do, what it reads, what happened to it.

All are frozen and carry the meter's own words; nothing here is judged yet.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from logger.quantity import Displayed, Function, in_base


class Flag(StrEnum):
    """What a meter says about one reading (Meter Line Protocol, `f`). Unknown flags are dropped."""

    STEADY = "steady"
    HOLD = "hold"
    KEY = "key"
    NULLED = "nulled"
    BATTERY_LOW = "batt"
    LIVE = "live"
    STORED = "stored"


class Origin(StrEnum):
    """Where a reading came from."""

    METER = "meter"
    KEYED = "keyed"
    REPLAY = "replay"
    """A capture made earlier, played again: never a measurement of now."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Who a meter says it is.

    Attributes:
        serial: names the instrument; never empty.
        boot: random text, new at every power-up; `serial`, `boot` and a reading's `n` name it for ever.
        calibrated_until: ISO 8601 date as the meter gave it; empty where it did not.
        battery_percent: 0 to 100, or None where the meter did not say.
        leads: the mark of the lead set; empty where the meter did not say.
    """

    serial: str
    boot: str
    maker: str = ""
    model: str = ""
    firmware: str = ""
    calibrated_until: str = ""
    battery_percent: int | None = None
    leads: str = ""


@dataclass(frozen=True, slots=True)
class Range:
    """One range of one function, as the meter announced it (`fn`).

    Attributes:
        mark: the meter's name for the range (`rg`); may be empty.
        unit: UCUM code in which the figures below stand.
        low, high: ends of the range.
        resolution: one step of the display; None where unsaid.
        percent, digits: maker's accuracy ±(percent of reading + digits × resolution); None where unsaid.
        voltages: nominal test voltages in volts, as the meter wrote them; empty where the function has none.
    """

    function: Function
    mark: str
    unit: str
    low: Decimal
    high: Decimal
    resolution: Decimal | None = None
    percent: Decimal | None = None
    digits: Decimal | None = None
    voltages: tuple[str, ...] = ()
    ends_base: tuple[Decimal, Decimal] = field(init=False, repr=False, compare=False)
    """The ends in the base unit, worked out once: every reading is held against them."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "ends_base", (in_base(self.low, self.unit), in_base(self.high, self.unit)))


@dataclass(frozen=True, slots=True)
class Reading:
    """One figure read off a meter.

    Attributes:
        n: the meter's count of readings and events since its boot, from 1; 0 for a keyed reading.
        meter_ms: milliseconds since the meter's boot; None where unsaid.
        range_mark: which range it was read on; empty where unsaid.
        voltage: nominal test voltage in volts as text; None where the function has none or it is unsaid.
        output_voltage: test voltage in volts that the meter measured at its terminals, as text.
        temperature: ambient, degrees Celsius, as text.
        multiple, phase, rated: RCD setting: multiple of the rated residual current, start phase in degrees,
            rated residual current in mA; as text, None where unsaid.
    """

    n: int
    function: Function
    value: Displayed
    meter_ms: int | None = None
    range_mark: str = ""
    voltage: str | None = None
    output_voltage: str | None = None
    flags: frozenset[Flag] = frozenset()
    temperature: str | None = None
    multiple: str | None = None
    phase: str | None = None
    rated: str | None = None
    origin: Origin = Origin.METER


class Occurrence(StrEnum):
    """Events that a meter tells of (`ev`)."""

    LEADS_CHANGED = "leads-changed"
    FUNCTION_CHANGED = "function-changed"
    BATTERY_LOW = "battery-low"
    RANGE_CHANGED = "range-changed"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class MeterEvent:
    """Something that happened to a meter; counted together with the readings.

    Attributes:
        name: an `Occurrence`, or another word that the meter used (kept, without effect).
        why: the meter's words; may be empty.
    """

    n: int
    name: str
    meter_ms: int | None = None
    why: str = ""
