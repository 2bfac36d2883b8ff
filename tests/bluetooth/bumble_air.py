"""A virtual Bluetooth at the level of its own protocols: HCI, link layer and attribute protocol are Bumble's real code,
and only the radio is not. Our link reaches it through bleak's `backend=`; the meter behind it is any byte stream.

Everything runs on the loop that made it, the Bluetooth loop: tests reach it through `Air.call` and `Air.do`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, ClassVar

from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient, NotifyCallback
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakError
from bleak.uuids import normalize_uuid_str
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData
from bumble.device import Advertisement, Connection, Device, Peer
from bumble.gatt import Characteristic, CharacteristicValue, Service
from bumble.hci import Address, OwnAddressType
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink
from ether import BATTERY, INFORMATION, LEVEL, METER, NOTIFIES, TAKES, TEXTS

from drivers.links.ble_radio import Stack

HEADER = 3


class Bumble:
    """The link layer and our own adapter on it. `mtu`: what our side offers in the exchange."""

    now: ClassVar[Bumble]
    """Where the backend classes, which bleak makes itself, find their adapter."""

    def __init__(self, mtu: int) -> None:
        self.mtu = mtu
        self.link = LocalLink()  # type: ignore[no-untyped-call]
        self.central = self.device("central", "F0:F1:F2:F3:F4:F5")
        Bumble.now = self

    def device(self, name: str, address: str) -> Device:
        controller = Controller(name, link=self.link, public_address=address)
        device = Device(name=name, address=Address(address), host=Host(controller, AsyncPipeSink(controller)))
        controller.set_packet_sink(device.host)
        return device

    @classmethod
    async def make(cls, mtu: int = 247) -> Bumble:
        bumble = cls(mtu)
        await bumble.central.power_on()
        return bumble


class BumbleMeter:
    """A peripheral with the meter's services; `serve.Port` for our simulated meter.

    Knobs: `hear` gets what the host writes; `came` is told True and False as a host subscribes and goes.
    """

    def __init__(self, bumble: Bumble, address: str, name: str, says: dict[str, str | int]) -> None:
        self.hear: Callable[[bytes], None] = lambda _data: None
        self.came: Callable[[bool], None] = lambda _is_here: None
        self.address = address
        self.device = bumble.device(name, address)
        self._name = name
        self._connection: Connection | None = None
        self._unsent = bytearray()
        self._sending: asyncio.Task[None] | None = None
        self._advertising: asyncio.Task[None] | None = None
        self._is_away = False
        self._turn = asyncio.Lock()
        properties = Characteristic.Properties
        self._notifies: Characteristic[bytes] = Characteristic(
            NOTIFIES, properties.NOTIFY, Characteristic.Permissions.READABLE, b""
        )
        takes: Characteristic[bytes] = Characteristic(
            TAKES,
            properties.WRITE,
            Characteristic.Permissions.WRITEABLE,
            CharacteristicValue(write=lambda _connection, data: self.hear(bytes(data))),
        )
        self._notifies.on(self._notifies.EVENT_SUBSCRIPTION, lambda _connection, on, _indicate: self.came(on))
        texts = [
            Characteristic(TEXTS[what], properties.READ, Characteristic.Permissions.READABLE, str(said).encode())
            for what, said in says.items()
            if what in TEXTS
        ]
        level = Characteristic(
            LEVEL, properties.READ, Characteristic.Permissions.READABLE, bytes([int(says.get("battery", 50))])
        )
        self.device.add_services(
            [Service(METER, [self._notifies, takes]), Service(INFORMATION, texts), Service(BATTERY, [level])]
        )
        self.device.on(Device.EVENT_CONNECTION, self._connected)

    @classmethod
    async def make(cls, bumble: Bumble, address: str, name: str, **says: str | int) -> BumbleMeter:
        meter = cls(bumble, address, name, says)
        await meter.device.power_on()
        await meter.advertise()
        return meter

    async def advertise(self) -> None:
        advertised = [
            (AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS, UUID(METER).to_bytes()),
            (AdvertisingData.FLAGS, bytes([6])),
            (AdvertisingData.COMPLETE_LOCAL_NAME, self._name.encode()),  # the virtual controller has no scan response
        ]
        await self.device.start_advertising(
            advertising_data=bytes(AdvertisingData(advertised)),
            advertising_interval_min=20,
            advertising_interval_max=20,
        )

    def write(self, data: bytes) -> None:
        """Send to the host, in packets as large as the exchange allowed; lost where there is none."""
        if self._connection is not None:
            self._unsent += data
            if self._sending is None or self._sending.done():
                self._sending = asyncio.ensure_future(self._send())

    def hang_up(self) -> None:
        self._is_away = True
        self._set()

    def pick_up(self) -> None:
        self._is_away = False
        self._set()

    async def drop(self) -> None:
        """The link breaks; the meter goes on advertising."""
        if self._connection is not None:
            await self._connection.disconnect()

    def _connected(self, connection: Connection) -> None:
        self._connection = connection
        connection.on(Connection.EVENT_DISCONNECTION, self._disconnected)

    def _disconnected(self, _reason: int) -> None:
        self._connection = None
        self._unsent.clear()
        self.came(False)
        self._set()

    def _set(self) -> None:
        self._advertising = asyncio.ensure_future(self._do_as_told())

    async def _do_as_told(self) -> None:
        """Bring the radio to what is wanted now; in turn, or a stop in the middle of a start would be the last word."""
        async with self._turn:
            if self._is_away:
                await self.device.stop_advertising()
                await self.drop()
            elif self._connection is None and not self.device.is_advertising:
                await self.advertise()

    async def _send(self) -> None:
        while self._unsent and self._connection is not None:
            size = self._connection.att_mtu - HEADER
            piece = bytes(self._unsent[:size])
            del self._unsent[:size]
            await self.device.notify_subscribers(self._notifies, piece)


class BumbleScanner(BaseBleakScanner):
    """bleak's scanner on a Bumble device."""

    def __init__(self, detection_callback: Any, service_uuids: Any, scanning_mode: str, **_options: Any) -> None:
        super().__init__(detection_callback, service_uuids)

    async def start(self) -> None:
        self.seen_devices = {}
        central = Bumble.now.central
        central.on(Device.EVENT_ADVERTISEMENT, self._heard)
        await central.start_scanning(active=True, own_address_type=OwnAddressType.RANDOM)

    async def stop(self) -> None:
        central = Bumble.now.central
        central.remove_listener(Device.EVENT_ADVERTISEMENT, self._heard)
        await central.stop_scanning()

    def _heard(self, heard: Advertisement) -> None:
        address = heard.address.to_string(False)
        name = heard.data.get(AdvertisingData.Type.COMPLETE_LOCAL_NAME)
        services = heard.data.get(AdvertisingData.Type.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS) or []
        uuids = [_spelt(uuid) for uuid in services]
        advertised = AdvertisementData(str(name) if name else None, {}, {}, uuids, None, heard.rssi, ())
        device = self.create_or_update_device(address, address, advertised.local_name, heard.address, advertised)
        self.call_detection_callbacks(device, advertised)


class BumbleClient(BaseBleakClient):
    """bleak's client on a Bumble device."""

    def __init__(self, address_or_ble_device: BLEDevice | str, services: Any = None, **options: Any) -> None:
        super().__init__(
            address_or_ble_device,
            disconnected_callback=options["disconnected_callback"],
            timeout=options["timeout"],
        )
        self._connection: Connection | None = None
        self._proxies: dict[int, Any] = {}

    @property
    def mtu_size(self) -> int:
        return self._connection.att_mtu if self._connection is not None else 23

    @property
    def is_connected(self) -> bool:
        return self._connection is not None

    async def connect(self, pair: bool, **_options: Any) -> None:
        bumble = Bumble.now
        try:
            connection = await bumble.central.connect(Address(self.address), timeout=self._timeout)
        except Exception as error:
            raise BleakError(f"connecting failed: {error}") from error
        connection.on(Connection.EVENT_DISCONNECTION, self._disconnected)
        self._connection = connection
        self._peer = Peer(connection)
        await self._peer.request_mtu(bumble.mtu)
        await self._peer.discover_services()
        self.services = await self._table()

    async def _table(self) -> BleakGATTServiceCollection:
        table = BleakGATTServiceCollection()
        for service in self._peer.services:
            ours = BleakGATTService(service, service.handle, _spelt(service.uuid))
            table.add_service(ours)
            for proxy in await service.discover_characteristics():
                properties = [name.lower().replace("_", "-") for name in str(proxy.properties).split("|")]
                self._proxies[proxy.handle] = proxy
                table.add_characteristic(
                    BleakGATTCharacteristic(
                        proxy,
                        proxy.handle,
                        _spelt(proxy.uuid),
                        properties,  # type: ignore[arg-type]
                        lambda: self.mtu_size - HEADER,
                        ours,
                    )
                )
        return table

    def _disconnected(self, _reason: int) -> None:
        self._connection = None
        self.services = None
        if self._disconnected_callback is not None:
            self._disconnected_callback()

    async def disconnect(self) -> None:
        if self._connection is not None:
            await self._connection.disconnect()

    async def pair(self, *_arguments: Any, **_options: Any) -> None:
        raise NotImplementedError

    async def unpair(self) -> None:
        raise NotImplementedError

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, *, use_cached: bool = False, **_options: Any
    ) -> bytearray:
        return bytearray(await self._proxies[characteristic.handle].read_value())

    async def read_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, *, use_cached: bool = False, **_options: Any
    ) -> bytearray:
        raise NotImplementedError

    async def write_gatt_char(self, characteristic: BleakGATTCharacteristic, data: Any, response: bool) -> None:
        await self._proxies[characteristic.handle].write_value(bytes(data), with_response=response)

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: Any) -> None:
        raise NotImplementedError

    async def start_notify(
        self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **_options: Any
    ) -> None:
        await self._proxies[characteristic.handle].subscribe(lambda value: callback(bytearray(value)))

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        await self._proxies[characteristic.handle].unsubscribe()


def _spelt(uuid: UUID) -> str:
    return normalize_uuid_str(uuid.to_hex_str("-"))


STACK = Stack(scanner=BumbleScanner, client=BumbleClient)
