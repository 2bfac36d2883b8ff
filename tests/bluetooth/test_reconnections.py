"""Many connections in a row, lost or let go, leave no task, descriptor, thread or object behind."""

from __future__ import annotations

import asyncio
import gc
import threading
from collections import Counter

import pytest
from air_parts import all_of, bytes_of, is_at_rest, links_to, open_descriptors, radio_of, run
from bleak import BleakClient
from ether import Ether

from drivers.links.ble_air import Air
from drivers.links.ble_connection import Connection

WARM_UP = 5


def clients_alive() -> Counter[str]:
    gc.collect()
    kinds = (BleakClient, Connection, asyncio.Task)
    return Counter(type(each).__name__ for each in gc.get_objects() if isinstance(each, kinds))


def reconnect(sky: Ether, air: Air, times: int) -> None:
    """Lost by the meter, let go by us, given up in the middle, in turn."""
    meter = sky.meter()
    found: list[tuple[int, int, Counter[str]]] = []

    async def test() -> None:
        links = links_to(meter.peer.address, air)
        for turn in range(WARM_UP + times):
            link = links()
            opening = asyncio.ensure_future(link.open())
            if turn % 10 == 9:
                await asyncio.wait({opening}, timeout=0.002)
                opening.cancel()
                await asyncio.gather(opening, return_exceptions=True)
            else:
                await opening
                meter.send(b"x" * 300)
                await bytes_of(link, 300)
            if turn % 2:
                meter.drop()
                if turn % 10 != 9:
                    await all_of(link)
            await link.close()
            if turn in {WARM_UP - 1, WARM_UP + times - 1}:
                await asyncio.sleep(0.05)
                found.append((open_descriptors(), threading.active_count(), clients_alive()))

    run(test, limit_s=600)
    assert is_at_rest(air)
    before, after = found
    assert after == before
    assert sky.bluez.overlaps == 0
    assert not radio_of(air).patience.is_at_an_end


def test_a_few_reconnections_leave_nothing_behind(sky: Ether, adapter: Air) -> None:
    reconnect(sky, adapter, 30)


@pytest.mark.slow
@pytest.mark.timeout(700)
def test_a_thousand_reconnections_leave_nothing_behind(sky: Ether, adapter: Air) -> None:
    reconnect(sky, adapter, 1000)


def test_sixteen_meters_at_once_connect_one_after_the_other_and_are_not_confused(sky: Ether, adapter: Air) -> None:
    meters = [sky.meter(f"C0:FF:EE:00:02:{number:02X}", f"Bench {number}") for number in range(16)]

    async def test() -> None:
        links = [links_to(meter.peer.address, adapter)() for meter in meters]
        await asyncio.gather(*(link.open() for link in links))
        for turn in range(3):
            for number, meter in enumerate(meters):
                meter.send(bytes([number]) * 50)
            heard = await asyncio.gather(*(bytes_of(link, 50) for link in links))
            assert [set(data) for data in heard] == [{number} for number in range(16)], turn
        await asyncio.gather(*(link.close() for link in links))

    run(test)
    assert sky.bluez.overlaps == 0
    assert is_at_rest(adapter)
