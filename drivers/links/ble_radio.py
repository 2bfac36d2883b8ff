"""Whose turn the Bluetooth adapter is: one scan or one connection attempt at a time, and one scan for all who seek.

An adapter that is asked to scan and to connect at once answers `InProgress`, sometimes until it is unplugged. So
whoever connects waits for the scan to be put down, and any number of meters out of reach are looked for together.
Runs on the Bluetooth loop alone (`ble_air`).
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any, Final

from bleak import BleakAdapter, BleakClient, BleakScanner
from bleak.args.winrt import WinRTClientArgs
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner

from drivers.links.ble_patience import Patience
from drivers.links.ble_service import METER_SERVICE, as_address
from drivers.links.ble_trouble import busy, failure_of, hung, is_in_progress, not_in_reach, several_of_that_name, stuck
from logger.errors import LinkFailed
from logger.text import harmless

FIND_LIMIT_S: Final = 6.0
"""How long one meter is looked for before that is told, seconds: meters advertise every second or two, and the first
try of a line lasts 15 s."""

LOOK_ROUND_S: Final = 0.5
"""How long it is looked whether a second device has the same name, seconds."""

TURN_LIMIT_S: Final = 60.0
"""Longest wait for the adapter while others connect, seconds: two meters at the edge of reach, one after the other."""

SCAN_CALL_LIMIT_S: Final = 5.0
"""Longest that starting or stopping a scan may take, seconds."""

STUCK_AFTER: Final = 3
"""How often in a row the adapter may say that it is busy before the operator is told what to do, a count."""

SIGHTINGS_AT_MOST: Final = 256
"""Most devices remembered of one look round; more is a machine making up addresses."""

SHOWN_AT_MOST: Final = 40
"""Longest name of a meter shown, characters."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """A Bluetooth device that was heard.

    Attributes:
        device: what connects to it.
        name: as it calls itself; a stranger's text, of any length.
        rssi_dbm: signal strength; None where it is connected already, and so silent.
        is_meter: whether it says that it offers the meter's service.
    """

    device: BLEDevice
    name: str
    rssi_dbm: int | None
    is_meter: bool

    @property
    def address(self) -> str:
        """Bluetooth address, or the system's own handle."""
        return str(self.device.address).upper()


@dataclass(frozen=True, slots=True)
class Stack:
    """Which implementation of bleak is used; None is the system's own."""

    scanner: type[BaseBleakScanner] | None = None
    client: type[BaseBleakClient] | None = None

    def new_client(
        self, device: BLEDevice, gone: Callable[[BleakClient], None], limit_s: float, *, afresh: bool = False
    ) -> BleakClient:
        """A client object for one connection. With `afresh`, Windows reads the meter's table from the meter."""
        winrt: WinRTClientArgs = {"use_cached_services": False} if afresh else {}
        return BleakClient(device, disconnected_callback=gone, timeout=limit_s, winrt=winrt, backend=self.client)


@dataclass(eq=False)
class _Seeker:
    """Somebody who listens while a scan runs."""

    hear: Callable[[Sighting], None]
    failed: asyncio.Future[Any]


@dataclass
class _Wanted:
    """One meter that is looked for, by address or by name."""

    target: str
    known_address: str | None
    found: asyncio.Future[BLEDevice]
    namesakes: dict[str, BLEDevice] = field(default_factory=dict)

    def hear(self, sighting: Sighting) -> None:
        address = as_address(self.target)
        if address is not None:
            fits = sighting.address == address
        else:
            fits = sighting.name == self.target
            if fits and len(self.namesakes) < SIGHTINGS_AT_MOST:
                self.namesakes[sighting.address] = sighting.device
        if fits and not self.found.done() and (address is not None or sighting.address == self.known_address):
            self.found.set_result(sighting.device)


class Radio:
    """The adapter.

    Attributes:
        patience: deadlines of every call on this loop.
        stack: what speaks to it.
    """

    def __init__(self, stack: Stack) -> None:
        self.patience = Patience()
        self.stack = stack
        self._turn = asyncio.Lock()
        self._seekers: set[_Seeker] = set()
        self._connectors = 0
        self._change = asyncio.Event()
        self._scanning: asyncio.Task[None] | None = None
        self._is_scanning = False
        self._scans = 0
        self._busy_in_a_row = 0

    async def find(self, target: str, known_address: str | None, *, must_be_heard: bool = False) -> BLEDevice:
        """The meter of that address or name, once it is heard, or found to be connected already.

        Args:
            target: address or name.
            known_address: where a meter of that name was last time; of several namesakes that one is taken.
            must_be_heard: do not believe the system that it is connected.

        Raises:
            LinkFailed: if it is not in reach, its name does not tell which, or there is no Bluetooth.
        """
        wanted = _Wanted(target, known_address, asyncio.get_running_loop().create_future())
        try:
            for sighting in await self._connected():
                if not must_be_heard:
                    wanted.hear(sighting)
            if wanted.found.done():
                return wanted.found.result()
            async with self._listening(wanted.hear, wanted.found):
                return await self._found(wanted)
        except Exception as error:
            raise self.failure(error, shown(target)) from error

    async def listen(self, limit_s: float, hear: Callable[[Sighting], None]) -> None:
        """Hear of every device that is in reach, connected ones included, for `limit_s` seconds.

        Raises:
            LinkFailed: if there is no Bluetooth.
        """
        failed: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
        try:
            for sighting in await self._connected():
                hear(sighting)
            async with self._listening(hear, failed):
                await asyncio.wait({failed}, timeout=limit_s)
            if failed.done():
                failed.result()
            self.worked()
        except Exception as error:
            raise self.failure(error, "") from error

    @asynccontextmanager
    async def connecting(self) -> AsyncIterator[None]:
        """Hold the adapter for one connection attempt; a scan is put down meanwhile.

        Raises:
            LinkFailed: if others hold it too long.
        """
        self._connectors += 1
        self._change.set()
        try:
            await self._turn_comes()
            try:
                yield
            finally:
                self._turn.release()
        finally:
            self._connectors -= 1

    async def _turn_comes(self) -> None:
        try:
            async with asyncio.timeout(TURN_LIMIT_S):
                await self._turn.acquire()
        except TimeoutError as error:
            raise busy() from error

    def failure(self, error: BaseException, meter: str) -> LinkFailed:
        """What to tell of an error; an adapter that stays busy is told apart from one that is so for a moment."""
        if not is_in_progress(error):
            return failure_of(error, meter)
        self._busy_in_a_row += 1
        failure = stuck(meter) if self._busy_in_a_row >= STUCK_AFTER else failure_of(error, meter)
        failure.__cause__ = error
        return failure

    def worked(self) -> None:
        """All of it worked: the adapter is not stuck."""
        self._busy_in_a_row = 0

    async def _found(self, wanted: _Wanted) -> BLEDevice:
        """Wait until it is found; where only a name is known, look round for namesakes before taking the first."""
        loop = asyncio.get_running_loop()
        deadline_s, began = loop.time() + FIND_LIMIT_S, self._scans
        while not wanted.found.done():
            left_s = deadline_s - loop.time()
            if wanted.namesakes or left_s <= 0:
                break
            await asyncio.wait({wanted.found}, timeout=min(left_s, LOOK_ROUND_S))
        if wanted.namesakes and not wanted.found.done():
            await asyncio.wait({wanted.found}, timeout=LOOK_ROUND_S)
        if wanted.found.done():
            return wanted.found.result()
        if len(wanted.namesakes) > 1:
            raise several_of_that_name(shown(wanted.target), list(wanted.namesakes))
        if not wanted.namesakes:
            raise not_in_reach(shown(wanted.target)) if self._listened_since(began) else busy()
        return next(iter(wanted.namesakes.values()))

    def _listened_since(self, scans: int) -> bool:
        """Whether there was a scan since that many had begun: others may have held the adapter all the time."""
        return self._is_scanning or self._scans > scans

    async def _connected(self) -> list[Sighting]:
        """Meters that are connected already, as after a program that was killed: they do not advertise."""
        if self.patience.is_at_an_end:
            raise hung()
        if self.stack.scanner is not None:
            return []
        try:
            adapter = await self.patience.within(SCAN_CALL_LIMIT_S, BleakAdapter.get())
            devices = await self.patience.within(SCAN_CALL_LIMIT_S, adapter.get_connected_devices([METER_SERVICE]))
        except NotImplementedError:  # not on every system
            return []
        return [Sighting(device, device.name or "", None, True) for device in devices]

    @asynccontextmanager
    async def _listening(self, hear: Callable[[Sighting], None], failed: asyncio.Future[Any]) -> AsyncIterator[None]:
        seeker = _Seeker(hear, failed)
        self._seekers.add(seeker)
        if self._scanning is None or self._scanning.done():
            self._scanning = asyncio.create_task(self._scan_while_sought())
        try:
            yield
        finally:
            self._seekers.discard(seeker)
            self._change.set()

    async def _scan_while_sought(self) -> None:
        try:
            while self._seekers:
                async with self._turn:
                    await self._scan()
        except Exception as error:
            for seeker in self._seekers:
                if not seeker.failed.done():
                    seeker.failed.set_exception(error)
                    seeker.failed.exception()  # who seeks may have gone away; then nobody else would look at it

    async def _scan(self) -> None:
        """One scan, until nobody seeks or somebody wants to connect."""
        scanner = BleakScanner(self._heard, backend=self.stack.scanner)
        await self.patience.within(SCAN_CALL_LIMIT_S, scanner.start())
        self._is_scanning = True
        self._scans += 1
        try:
            while self._seekers and not self._connectors:
                self._change.clear()
                await self._change.wait()
        finally:
            self._is_scanning = False
            await self.patience.within(SCAN_CALL_LIMIT_S, scanner.stop())

    def _heard(self, device: BLEDevice, advertised: AdvertisementData) -> None:
        is_meter = METER_SERVICE in (uuid.lower() for uuid in advertised.service_uuids)
        name = advertised.local_name or device.name or ""
        sighting = Sighting(device, name, advertised.rssi, is_meter)
        for seeker in tuple(self._seekers):
            seeker.hear(sighting)


def shown(target: str) -> str:
    """A meter's address or name, fit to stand in a sentence."""
    return harmless(target, SHOWN_AT_MOST)
