"""What a line yields, as the body of the entry that must have come of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from logger.audit.rederive_lines import LineReplay
from logger.happening import Damaged, Disconnected, Filled, Gap, Happening, Identified, Lost, Read, Reconnected, Told
from logger.logbook.entries import Kind
from logger.reading import Origin
from logger.recorder import bodies
from logger.recorder.intake import REPLAY_LINE

Body = Mapping[str, Any]

JUDGED_FIELDS: Final = ("accepted", "reasons", "item", "test", "between", "selection", "check")
"""Fields of a reading that do not come from the meter; the first five always stand there."""

_ALWAYS: Final = 16
"""How many fields every reading has."""

KIND_OF: Final[dict[type, Kind]] = {
    Identified: Kind.INSTRUMENT,
    Read: Kind.READING,
    Damaged: Kind.DAMAGED,
    Gap: Kind.GAP,
    Filled: Kind.FILLED,
    Lost: Kind.LOST,
    Disconnected: Kind.DISCONNECTED,
    Reconnected: Kind.RECONNECTED,
    Told: Kind.LAPSED,
}
"""Which entry a happening makes; what a meter tells makes one only where it ends a proof."""


def agrees(replay: LineReplay, head: Happening, data: Body) -> bool:
    """Whether a body is what the happening makes, to the letter."""
    if type(head) is Read and _is_plainly(replay, head, data):
        return True
    return derived_body(replay, head, data) == data


def derived_body(replay: LineReplay, head: Happening, data: Body) -> Body:
    """The body that a happening makes; of a reading, what does not come from the meter is as it stands."""
    if isinstance(head, Read):
        return _derived_reading(replay, head, data)
    if isinstance(head, Identified):
        return bodies.instrument_body(head.identity, replay.line, replay.driver)
    if isinstance(head, Damaged):
        return bodies.damaged_body(head, replay.serial, _source(replay, head.first, head.last))
    if isinstance(head, Disconnected):
        why = str(data.get("why")) if replay.broken else head.why
        return bodies.disconnected_body(replay.line, replay.serial, why)
    if isinstance(head, Reconnected):
        return bodies.reconnected_body(replay.line, replay.serial, head.away_ns)
    assert isinstance(head, Gap | Filled | Lost)
    return bodies.numbers_body(head)


def _is_plainly(replay: LineReplay, head: Read, data: Body) -> bool:
    """Whether a reading agrees, field by field: the quick way, sure only of a yes."""
    reading, value = head.reading, head.reading.value
    optional = (
        (reading.range_mark or None, data.get("range")),
        (reading.output_voltage or None, data.get("output_voltage")),
        (reading.meter_ms or None, data.get("meter_ms")),
        (reading.temperature or None, data.get("temperature")),
    )
    if reading.multiple is not None or reading.phase is not None or reading.rated is not None:
        return False
    known = _ALWAYS + ("selection" in data) + ("check" in data) + bool(reading.flags)
    for said, stands in optional:
        if said != stands:
            return False
        known += said is not None
    return (
        len(data) == known
        and data["n"] == reading.n
        and data["value"] == value.text
        and data["unit"] == value.unit
        and data["relation"] == value.relation
        and data["function"] == reading.function
        and data["voltage"] == reading.voltage
        and data["serial"] == head.serial
        and data["boot"] == head.boot
        and data["origin"] == reading.origin
        and data["bytes"] == [head.first, head.last]
        and data.get("flags", []) == sorted(reading.flags)
        and data["raw"] == _source(replay, head.first, head.last)
        and not replay.line.startswith(REPLAY_LINE)
        and all(name in data for name in JUDGED_FIELDS[:5])
    )


def _derived_reading(replay: LineReplay, head: Read, data: Body) -> Body:
    if replay.line.startswith(REPLAY_LINE):
        head = replace(head, reading=replace(head.reading, origin=Origin.REPLAY))
    body = bodies.reading_body(head, (), None, _source(replay, head.first, head.last))
    for name in JUDGED_FIELDS:
        if name in data:
            body[name] = data[name]
        else:
            body.pop(name, None)
    return body


def _source(replay: LineReplay, first: int, last: int) -> list[int]:
    return bodies.source(reversed(replay.spans), first, last)


def is_about(head: Happening, data: Body) -> bool:
    """Whether an entry is about what was derived, though it says something else of it."""
    if isinstance(head, Read):
        return head.reading.n == data.get("n") or [head.first, head.last] == data.get("bytes")
    if isinstance(head, Damaged):
        return [head.first, head.last] == data.get("bytes")
    if isinstance(head, Gap | Filled | Lost):
        return head.low == data.get("first") or head.high == data.get("last")
    return True
