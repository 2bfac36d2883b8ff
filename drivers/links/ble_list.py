"""Which Bluetooth meters are in reach, and what they say of themselves. Opening one is `ble`'s concern.

Listening takes seconds and may hang, so it runs on the Bluetooth thread and is given up when its time is over. Whatever
a device says of itself is a stranger's text: it comes out of here harmless.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

from drivers.links.ble_air import Air, shared_air
from drivers.links.ble_radio import SCAN_CALL_LIMIT_S, Radio, Sighting, shown
from logger.errors import LinkFailed, LinkLost, LinkReason

LISTEN_S: Final = 4.0
"""How long is listened, seconds: meters advertise every second or two."""

METERS_AT_MOST: Final = 64
"""Most meters shown; more is a device making up addresses."""


@dataclass(frozen=True, slots=True)
class BleMeter:
    """A meter in reach, in its own words made harmless.

    Attributes:
        address: what stands behind `ble:` in a URL.
        name: as it calls itself; may be empty.
        rssi_dbm: signal strength in dBm, -127 to 20; None where another program is connected to it, and it is silent.
    """

    address: str
    name: str
    rssi_dbm: int | None


def ble_meters(
    limit_s: float = LISTEN_S, tell: Callable[[BleMeter], object] | None = None, air: Air | None = None
) -> tuple[tuple[BleMeter, ...], LinkFailed | None]:
    """The meters in reach, the strongest first; and why there is no Bluetooth, or None.

    Blocks for `limit_s` seconds, or less where there is no Bluetooth: call it from a thread where an event loop must
    go on.

    Args:
        limit_s: how long to listen, seconds.
        tell: told of each meter as soon as it is heard, and again when its name or signal changed; called on the
            Bluetooth thread.
        air: where Bluetooth happens; None is the program's own.
    """
    found: dict[str, BleMeter] = {}
    try:
        listening = partial(_listen, limit_s, found, tell)
        (air or shared_air()).call(listening, limit_s + 3 * SCAN_CALL_LIMIT_S)
    except LinkFailed as failure:
        return _sorted(found), failure
    except LinkLost as lost:
        return _sorted(found), LinkFailed(lost.sentence, "try again", LinkReason.BROKEN)
    return _sorted(found), None


async def _listen(
    limit_s: float, found: dict[str, BleMeter], tell: Callable[[BleMeter], object] | None, radio: Radio
) -> None:
    def hear(sighting: Sighting) -> None:
        address = sighting.address
        if not sighting.is_meter or (address not in found and len(found) >= METERS_AT_MOST):
            return
        meter = BleMeter(address, shown(sighting.name), sighting.rssi_dbm)
        if found.get(address) != meter:
            found[address] = meter
            if tell is not None:
                tell(meter)

    await radio.listen(limit_s, hear)


def _sorted(found: dict[str, BleMeter]) -> tuple[BleMeter, ...]:
    return tuple(sorted(found.values(), key=lambda meter: (-(meter.rssi_dbm or 0), meter.address)))
