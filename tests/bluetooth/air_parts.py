"""Parts that the tests of this folder share: links driven by hand, waiting for what threads do, and counting."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

from drivers.links.ble import BleLink, BleLinks
from drivers.links.ble_air import Air
from drivers.links.ble_radio import Radio
from logger.clock import Clock, SystemClock
from logger.errors import LinkLost

WAIT_S = 20.0
"""Longest that a test waits for something that must come; only a failure ever waits so long."""


def links_to(target: str, air: Air, clock: Clock | None = None) -> BleLinks:
    return BleLinks(target, clock or SystemClock(), air)


def run(test: Callable[[], Coroutine[Any, Any, None]], limit_s: float = 2 * WAIT_S) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(limit_s):
            await test()

    asyncio.run(bounded())


async def until(holds: Callable[[], bool], within_s: float = WAIT_S) -> None:
    """Wait, on the machine's own time, for what threads do."""
    async with asyncio.timeout(within_s):
        while not holds():  # noqa: ASYNC110 - threads and another process set no event of this loop
            await asyncio.sleep(0.005)


async def bytes_of(link: BleLink, count: int) -> bytes:
    """The next `count` bytes, at least."""
    data = b""
    async with asyncio.timeout(WAIT_S):
        while len(data) < count:
            data += (await link.receive()).data
    return data


async def all_of(link: BleLink) -> bytes:
    """Everything until the link breaks."""
    data = b""
    try:
        async with asyncio.timeout(WAIT_S):
            while True:
                data += (await link.receive()).data
    except LinkLost:
        return data


def is_at_rest(air: Air) -> bool:
    """Whether the Bluetooth loop comes to do nothing but wait for the system bus to end."""

    async def rest(_radio: Radio) -> bool:
        for _ in range(400):
            if len(asyncio.all_tasks()) <= 2:  # this one, and bleak's watch over the bus
                return True
            await asyncio.sleep(0.005)
        return False

    return air.call(rest, WAIT_S)


def radio_of(air: Air) -> Radio:
    async def itself(radio: Radio) -> Radio:
        return radio

    return air.call(itself, WAIT_S)


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))
