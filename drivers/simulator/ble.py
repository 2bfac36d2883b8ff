"""A simulated meter on Bluetooth LE, through this machine's adapter: the same meter, site and faults as on a wire.

async with serve_ble(meter, clock) as served: ...         # served.url is `ble:ADDRESS`
"""

from __future__ import annotations

import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from drivers.links.ble_service import DeviceSays
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.serve import Served, running
from logger.clock import Clock
from logger.errors import LinkFailed, LinkReason


def device_says(meter: SimulatedMeter) -> DeviceSays:
    """What a meter's standard Bluetooth services say: the same as its `id`."""
    about = meter.site.meter
    return DeviceSays(about.serial, about.maker, about.model, about.firmware, meter.gauge.battery_percent)


def name_of(meter: SimulatedMeter) -> str:
    """What it calls itself in the air."""
    return f"{meter.site.meter.model} {meter.site.meter.serial}"


@asynccontextmanager
async def serve_ble(meter: SimulatedMeter, clock: Clock) -> AsyncIterator[Served]:
    """Serve as a Bluetooth LE peripheral. A host on the same machine cannot reach it: it takes a second one.

    Raises:
        LinkFailed: where that cannot be done, with the reason.
    """
    if sys.platform != "linux":
        raise LinkFailed(
            "A simulated meter on Bluetooth needs Linux with BlueZ", "serve on --tcp", LinkReason.UNAVAILABLE
        )
    from drivers.simulator.ble_port import BlePort

    served = Served(meter, clock)
    carrier = BlePort(served.hear, lambda: device_says(meter), name_of(meter))
    served.url = f"ble:{await carrier.open()}"
    try:
        async with running(served, carrier):
            yield served
    finally:
        await carrier.close()
