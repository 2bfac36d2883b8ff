"""The bodies of the entries that the recorder writes of its own accord, as pure functions.

The recorder writes them; the audit derives them again from the raw bytes and compares. What an operator says (steps)
is not here, results are in `results`.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from logger.bodies import Selection, range_body
from logger.happening import Damaged, Filled, Gap, Lost, RawBytes, Read
from logger.logbook.entries import Kind
from logger.proof import CheckOutcome, Lapse, Point, ProofKey
from logger.quantity import Displayed
from logger.reading import Identity, Range, Reading
from logger.screening import Reason

if TYPE_CHECKING:
    from logger.state import MeterState

RawSpan = tuple[int, int, int]
"""A raw entry's number, and the first and last (exclusive) of the line's bytes that it holds."""


def raw_body(chunks: Sequence[RawBytes], serial: str | None) -> dict[str, Any]:
    """Chunks of one line that came together (at least one), with the time of each where there are several."""
    first = chunks[0]
    body: dict[str, Any] = {
        "line": first.line,
        "serial": serial,
        "offset": first.offset,
        "mono_ns": first.mono_ns,
        "data": base64.b64encode(b"".join(chunk.data for chunk in chunks)).decode("ascii"),
    }
    if len(chunks) > 1:
        body["chunks"] = [[chunk.mono_ns, len(chunk.data)] for chunk in chunks]
    return body


def source(spans: Iterable[RawSpan], first: int, last: int) -> list[int]:
    """The raw entries that hold bytes `first` to `last` (exclusive) of a line: the first and the last of them.

    Args:
        spans: the line's raw entries, newest first; what is older than they reach is not found.
    """
    newest = oldest = 0
    for entry, start, end in spans:  # nearly always the newest alone
        if start < last and end > first:
            newest, oldest = newest or entry, entry
        if start <= first:
            break
    return [oldest, newest] if newest else []


def instrument_body(
    identity: Identity, line: str, driver: str, ranges: Sequence[Range] | None = None
) -> dict[str, Any]:
    """Who a meter said it is; with `functions` once it is known what it can do."""
    body: dict[str, Any] = {
        "serial": identity.serial,
        "boot": identity.boot,
        "maker": identity.maker,
        "model": identity.model,
        "firmware": identity.firmware,
        "calibrated_until": identity.calibrated_until,
        "battery_percent": identity.battery_percent,
        "leads": identity.leads,
        "line": line,
        "driver": driver,
    }
    if ranges is not None:
        body["functions"] = [range_body(each) for each in ranges]
    return body


def reading_body(
    happening: Read,
    reasons: tuple[Reason, ...],
    selection: Selection | None,
    raw: list[int],
    check: Point | None = None,
) -> dict[str, Any]:
    """The contract's fields, then what else the meter said, where it said it.

    Args:
        selection: what it belongs to; None also while a check has the leads.
        raw: where its bytes are, as `source` gives it.
        check: the point of the self-check that it belongs to.
    """
    reading = happening.reading
    body: dict[str, Any] = {
        "serial": happening.serial,
        "n": reading.n,
        "function": reading.function,
        "relation": reading.value.relation,
        "value": reading.value.text,
        "unit": reading.value.unit,
        "voltage": reading.voltage,
        "accepted": not reasons,
        "reasons": list(reasons),
        "item": selection.item if selection else None,
        "test": selection.test if selection else None,
        "between": selection.between if selection else None,
        "origin": reading.origin,
        "boot": happening.boot,
        "raw": raw,
        "bytes": [happening.first, happening.last],
    }
    for name, value in (
        ("range", reading.range_mark),
        ("output_voltage", reading.output_voltage),
        ("meter_ms", reading.meter_ms),
        ("flags", sorted(reading.flags)),
        ("temperature", reading.temperature),
        ("setting", setting_of(reading)),
        ("selection", selection.entry if selection else None),
        ("check", check),
    ):
        if value:
            body[name] = value
    return body


def setting_of(reading: Reading) -> dict[str, str]:
    """The RCD setting that a reading was taken at; empty for other functions."""
    said = {"multiple": reading.multiple, "phase": reading.phase, "rated": reading.rated}
    return {name: value for name, value in said.items() if value is not None}


def damaged_body(happening: Damaged, serial: str | None, raw: list[int]) -> dict[str, Any]:
    """Bytes that are no reading. `serial`: who was last known to be on the line."""
    return {"serial": serial, "why": happening.why, "raw": raw, "bytes": [happening.first, happening.last]}


def numbers_body(happening: Gap | Filled | Lost) -> dict[str, Any]:
    """Numbers that are missing, came after all, or will not come."""
    return {"serial": happening.serial, "boot": happening.boot, "first": happening.low, "last": happening.high}


def disconnected_body(line: str, serial: str | None, why: str) -> dict[str, Any]:
    """A line that is gone."""
    return {"serial": serial, "line": line, "why": why, "connected": False}


def reconnected_body(line: str, serial: str | None, away_ns: int) -> dict[str, Any]:
    """A line that is back, `away_ns` nanoseconds after its last sign of life."""
    return {"serial": serial, "line": line, "away_s": format(away_ns / 1e9, ".3f"), "connected": True}


def lapse_body(
    serial: str, why: Lapse, keys: Sequence[ProofKey], words: str, doubts: Sequence[int] = ()
) -> dict[str, Any]:
    """The proofs `keys` of a meter ended (none: the meter may not be used, though nothing was proven).

    Args:
        doubts: entries of results that were measured after it happened, because it was told late.
    """
    only = keys[0] if len(keys) == 1 else None
    body: dict[str, Any] = {
        "serial": serial,
        "why": why,
        "function": only.function if only else None,
        "voltage": only.voltage if only else None,
        "proofs": [{"function": key.function, "voltage": key.voltage} for key in keys],
    }
    if words:
        body["words"] = words
    if doubts:
        body["doubts"] = list(doubts)
    return body


def self_check_body(
    key: ProofKey,
    point: Point,
    expect: Displayed | None,
    entries: Sequence[int],
    readings: Sequence[Reading],
    meter: MeterState | None,
    outcome: CheckOutcome,
) -> dict[str, Any]:
    """A check that was decided, and what decided it. `entries`: those of its readings."""
    body: dict[str, Any] = {
        "point": point,
        "outcome": "pass" if outcome.passed else "fail",
        "serial": key.serial,
        "function": key.function,
        "voltage": key.voltage,
        "readings": list(entries),
        "figures": [reading.value.text for reading in readings],
        "relations": [reading.value.relation for reading in readings],
        "unit": readings[-1].value.unit,
        "boot": meter.boot if meter else "",
        "battery_percent": meter.battery_percent if meter else None,
        "lead_ohm": outcome.lead_ohm,
    }
    if expect is not None:
        body["expect"] = {"value": expect.text, "unit": expect.unit}
    if not outcome.passed:
        body["why"] = outcome.why
    return body


NUMBERED: dict[type, tuple[Kind, str]] = {
    Gap: (Kind.GAP, "gap"),
    Filled: (Kind.FILLED, "filled"),
    Lost: (Kind.LOST, "lost"),
}
"""Entry kind and event name of what is told about numbers."""
