"""Entries read back into the values that they were written from, and the time between two of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from logger.clock import NS_PER_S, from_rfc3339
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from logger.quantity import Displayed, Function, Relation
from logger.reading import Flag, Origin, Reading

LOOK_BACK_ENTRIES: Final = 2_000
"""How far back a raw entry is looked for: with every meter away there is none, and then nothing is claimed."""

LOGBOOKS_OWN: Final = frozenset({Kind.CHECKPOINT, Kind.OPERATOR, Kind.SEAL, Kind.STORAGE_FAULT})
"""Entries that the logbook itself puts in, between any two of the recorder's."""

_FUNCTIONS: Final = {each.value: each for each in Function}
_RELATIONS: Final = {each.value: each for each in Relation}
_FLAGS: Final = {each.value: each for each in Flag}
_ORIGINS: Final = {each.value: each for each in Origin}
_NO_FLAGS: Final[frozenset[Flag]] = frozenset()
_NO_SETTING: Final[Mapping[str, str]] = {}


def reading_of(data: Mapping[str, Any]) -> Reading:
    """The reading that a `reading` entry's body was made of.

    Raises:
        KeyError: if it lacks a field, or holds a word that no reading has.
    """
    flags, setting = data.get("flags"), data.get("setting", _NO_SETTING)
    return Reading(
        n=data["n"],
        function=_FUNCTIONS[data["function"]],
        value=Displayed(data["value"], data["unit"], _RELATIONS[data["relation"]]),
        meter_ms=data.get("meter_ms"),
        range_mark=data.get("range", ""),
        voltage=data["voltage"],
        output_voltage=data.get("output_voltage"),
        flags=frozenset([_FLAGS[flag] for flag in flags]) if flags else _NO_FLAGS,
        temperature=data.get("temperature"),
        multiple=setting.get("multiple"),
        phase=setting.get("phase"),
        rated=setting.get("rated"),
        origin=_ORIGINS[data["origin"]],
    )


def age_s(then_at: str, now_at: str) -> float:
    """Seconds from one time of the record to another; negative where the wall clock went back."""
    return (from_rfc3339(now_at) - from_rfc3339(then_at)).total_seconds()


def mono_between_s(reader: LogbookReader, reading: int, number: int) -> float | None:
    """Seconds that went by at least from a reading's arrival to entry `number`, by the host's monotonic clock; None
    where no bytes tell."""
    source = reader.entry(reading).data.get("raw")
    if not source:
        return None
    came = reader.entry(int(source[-1])).data
    newest = None
    for entry in reader.entries(max(1, number - LOOK_BACK_ENTRIES), number, (Kind.RAW,)):
        newest = entry
    if newest is None:
        return None
    first, last = came.get("chunks", [[came["mono_ns"], 0]])[-1][0], newest.data["mono_ns"]
    return float(last - first) / NS_PER_S
