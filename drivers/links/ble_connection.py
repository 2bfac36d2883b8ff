"""One connection to a Bluetooth meter, from looking for it to letting it go; and what is known of it in between.

A connection has one client object, made for it and never used again, and a mark: what an older client still calls
back, as some systems do after a reconnection, bears another mark, is dropped, and counted. Runs on the Bluetooth loop
alone (`ble_air`); the link on the lines' loop is `ble`.
"""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.exc import BleakError

from drivers.links.base import Chunk
from drivers.links.ble_radio import Radio, shown
from drivers.links.ble_service import (
    ATT_HEADER_BYTES,
    BATTERY_LEVEL,
    FIRMWARE,
    FROM_METER,
    LEAST_MTU,
    MAKER,
    METER_SERVICE,
    MODEL,
    SERIAL_NUMBER,
    TO_METER,
    DeviceSays,
    percent_of,
    text_of,
)
from drivers.links.ble_trouble import hung, no_service_found
from logger.clock import Clock
from logger.errors import LinkLost

CONNECT_LIMIT_S: Final = 30.0
"""Longest that connecting and reading the meter's table may take, seconds: what it takes at the edge of reach."""

CALL_LIMIT_S: Final = 5.0
"""Longest that one read, write or subscription may take, seconds: twenty connection intervals of a sleepy meter."""

SAYS_LIMIT_S: Final = 3.0
"""Longest that reading the standard services may take in all, seconds: they are worth no more waiting."""

DISCONNECT_LIMIT_S: Final = 5.0
"""Longest that letting go may take, seconds; then it is left behind, since on some systems it takes minutes."""

LOOKS: Final = 2
"""How often the table of a meter is looked at before it is told that it lacks something: the first may be stale."""


@dataclass
class Place:
    """One meter, through all connections to it.

    Attributes:
        target: its address or name, as the operator gave it.
        address: where it was last; None until it was found.
        says: what its standard services said at the last connection.
        late_calls: how many callbacks of an older connection were dropped, a count.
        leaving: what lets go of the last connection, if it is not over yet.
        must_be_heard: the last connection could not be opened. After its Bluetooth service was killed, a system goes on
            to say that the meter is connected, so that is not believed at the next try.
    """

    target: str
    address: str | None = None
    says: DeviceSays = field(default_factory=DeviceSays)
    late_calls: int = 0
    leaving: asyncio.Task[None] | None = None
    must_be_heard: bool = False
    marks: Iterator[int] = field(default_factory=itertools.count)

    @property
    def shown(self) -> str:
        """Its address or name, fit to stand in a sentence."""
        return shown(self.target)


class Connection:
    """One connection. Opened once, let go of once.

    Args:
        radio: the adapter.
        place: the meter.
        clock: stamps what arrives.
        deliver: takes what arrived; False if there is no room for it.
        ended: told once, after the last delivery, why no more will come.
    """

    def __init__(
        self,
        radio: Radio,
        place: Place,
        clock: Clock,
        deliver: Callable[[Chunk], bool],
        ended: Callable[[LinkLost], object],
    ) -> None:
        self._radio = radio
        self._place = place
        self._clock = clock
        self._deliver = deliver
        self._ended = ended
        self._mark: int | None = None
        self._client: BleakClient | None = None
        self._to_meter: BleakGATTCharacteristic | None = None
        self._opening: asyncio.Task[Any] | None = None

    async def open(self) -> None:
        """Find, connect, check, read who it is, and subscribe.

        Raises:
            LinkFailed: why not.
        """
        self._opening = asyncio.current_task()
        if self._radio.patience.is_at_an_end:
            raise hung()
        if self._place.leaving is not None:
            await asyncio.wait({self._place.leaving}, timeout=DISCONNECT_LIMIT_S)
        try:
            client, from_meter = await self._meter()
            self._place.says = await self._read_says(client)
            hear = partial(self._heard, self._mark)
            await self._radio.patience.within(CALL_LIMIT_S, client.start_notify(from_meter, hear))
        except Exception as error:
            self._place.must_be_heard = not self._place.must_be_heard
            raise self._radio.failure(error, self._place.shown) from error
        self._place.must_be_heard = False
        self._radio.worked()

    async def write(self, data: bytes) -> None:
        """Write `data` in pieces that fit, each answered by the meter.

        Raises:
            LinkLost: if not all of it was answered in time.
        """
        client, to_meter = self._client, self._to_meter
        if client is None or to_meter is None:
            raise self._lost("is not connected")
        size = max(LEAST_MTU - ATT_HEADER_BYTES, to_meter.max_write_without_response_size)
        try:
            for at in range(0, len(data), size):
                piece = data[at : at + size]
                write = client.write_gatt_char(to_meter, piece, response=True)
                await self._radio.patience.within(CALL_LIMIT_S, write)
        except Exception as error:
            raise self._lost("takes no bytes") from error

    async def leave(self) -> None:
        """Let go, within `DISCONNECT_LIMIT_S`. Never raises; goes on where whoever waits for it goes away."""
        if self._mark is None and self._client is None and self._opening is None:
            return
        self._mark = None
        leaving = asyncio.create_task(self._let_go_of_all())
        self._place.leaving = leaving
        await asyncio.shield(leaving)

    async def _meter(self) -> tuple[BleakClient, BleakGATTCharacteristic]:
        """A client that is connected to what is a meter, and the characteristic that notifies."""
        for look in range(LOOKS):
            place = self._place
            device = await self._radio.find(place.target, place.address, must_be_heard=place.must_be_heard)
            client = await self._connected(device, afresh=look > 0)
            from_meter, self._to_meter = _characteristics(client)
            if from_meter is not None and self._to_meter is not None:
                return client, from_meter
            self._mark = None
            await self._let_go(client, forget=look == 0 and _may_be_forgotten(device))
        raise no_service_found(self._place.shown)

    async def _connected(self, device: BLEDevice, *, afresh: bool) -> BleakClient:
        self._mark = mark = next(self._place.marks)
        client = self._radio.stack.new_client(device, partial(self._gone, mark), CONNECT_LIMIT_S, afresh=afresh)
        self._client = client
        async with self._radio.connecting():
            await self._radio.patience.within(CONNECT_LIMIT_S, client.connect())
        self._place.address = str(device.address).upper()
        return client

    async def _read_says(self, client: BleakClient) -> DeviceSays:
        """What the standard services say. They may be missing, forbidden or slow: then they say nothing."""
        said: dict[str, bytes] = {}

        async def read() -> None:
            for uuid in (SERIAL_NUMBER, MAKER, MODEL, FIRMWARE, BATTERY_LEVEL):
                there = next((c for c in client.services.characteristics.values() if c.uuid == uuid), None)
                if there is None:
                    continue
                try:
                    said[uuid] = bytes(await client.read_gatt_char(there))
                except BleakError:
                    said[uuid] = b""

        try:
            await self._radio.patience.within(SAYS_LIMIT_S, read())
        except TimeoutError:
            pass  # what came in time is used
        return DeviceSays(
            serial=text_of(said.get(SERIAL_NUMBER, b"")),
            maker=text_of(said.get(MAKER, b"")),
            model=text_of(said.get(MODEL, b"")),
            firmware=text_of(said.get(FIRMWARE, b"")),
            battery_percent=percent_of(said.get(BATTERY_LEVEL, b"")),
        )

    def _heard(self, mark: int | None, _characteristic: BleakGATTCharacteristic, data: bytearray) -> None:
        """Bytes came, on the client with that mark."""
        if mark is None or mark != self._mark:
            self._place.late_calls += 1
        elif data and not self._deliver(Chunk(bytes(data), self._clock.mono_ns())):
            self._end(LinkLost(f"The Bluetooth meter {self._place.shown} sends faster than can be taken in"))

    def _gone(self, mark: int, _client: BleakClient) -> None:
        """The client with that mark is not connected any more."""
        if mark == self._mark:
            self._end(self._lost("is out of reach or was switched off"))

    def _end(self, why: LinkLost) -> None:
        self._mark = None
        self._ended(why)

    def _lost(self, what: str) -> LinkLost:
        return LinkLost(f"The Bluetooth meter {self._place.shown} {what}")

    async def _let_go_of_all(self) -> None:
        opening = self._opening
        if opening is not None and not opening.done():
            opening.cancel()
            await asyncio.wait({opening}, timeout=DISCONNECT_LIMIT_S)
        client, self._client = self._client, None
        if client is not None:
            await self._let_go(client)

    async def _let_go(self, client: BleakClient, *, forget: bool = False) -> None:
        """Disconnect, also where the meter is gone already: the client holds on to system resources until then.

        With `forget`, have the system forget what it remembers of the meter's table.
        """
        self._client = None if self._client is client else self._client
        patience = self._radio.patience
        try:
            if forget:
                await patience.within(DISCONNECT_LIMIT_S, client.unpair())
        except Exception:
            patience.faults += 1  # then it is looked at again as the system remembers it
        try:
            await patience.within(DISCONNECT_LIMIT_S, client.disconnect())
        except Exception:
            patience.faults += 1  # it is let go of all the same; the next connection finds out what became of it


def _characteristics(client: BleakClient) -> tuple[BleakGATTCharacteristic | None, BleakGATTCharacteristic | None]:
    """The one that notifies and the one that is written, each None if the meter lacks it."""
    try:
        services = [service for service in client.services if service.uuid == METER_SERVICE]
    except BleakError:  # the table is empty
        return None, None
    offered = [characteristic for service in services for characteristic in service.characteristics]
    notifies = (c for c in offered if c.uuid == FROM_METER and {"notify", "indicate"} & set(c.properties))
    takes = (c for c in offered if c.uuid == TO_METER and "write" in c.properties)
    return next(notifies, None), next(takes, None)


def _may_be_forgotten(device: BLEDevice) -> bool:
    """Whether the system keeps a table of the meter that can be thrown away alone (BlueZ), and the operator did not
    pair the two: that is not undone behind their back."""
    known = device.details.get("props") if isinstance(device.details, dict) else None
    return isinstance(known, dict) and not known.get("Paired", True)
