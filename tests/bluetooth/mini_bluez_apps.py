"""The other half of the small `org.bluez`: programs that offer services of their own become peers in the air.

`RegisterApplication` and `RegisterAdvertisement` as BlueZ has them: the program's tree is read, its characteristics
are called, and where it offers `NotifyAcquired`, notifications come through a socket of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from typing import Any

from dbus_fast import DBusError, Message, Variant, unpack_variants
from mini_bluez import ADAPTER, HEADER, Characteristic, MiniBluez, Peer, Service

from drivers.simulator.ble_objects import NOTHING, Answer

BACKLOG = 64
"""Packets that wait for the air before a program's socket is left to fill up."""

CENTRAL = f"{ADAPTER}/dev_00_00_5E_00_53_FE"
"""Whoever connects to a program's services, as that program sees it."""


class Applications:
    """Managers of programs' services and advertisements, on a `MiniBluez`.

    Attributes:
        mtu: bytes in a packet on links to programs' services.
        taken: addresses for the next programs; the adapter's own for the first.
    """

    def __init__(self, bluez: MiniBluez, mtu: int = 247) -> None:
        self._bluez = bluez
        self.mtu = mtu
        self.peers: dict[str, Peer] = {}
        self._names: dict[str, tuple[str, list[str]]] = {}
        objects = bluez.objects
        objects.put(
            ADAPTER,
            "org.bluez.GattManager1",
            {},
            {"RegisterApplication": self._register, "UnregisterApplication": self._unregister},
        )
        objects.put(
            ADAPTER,
            "org.bluez.LEAdvertisingManager1",
            {"ActiveInstances": Variant("y", 0), "SupportedInstances": Variant("y", 4)},
            {"RegisterAdvertisement": self._advertise, "UnregisterAdvertisement": self._stop_advertising},
        )
        central = {
            "Address": Variant("s", "00:00:5E:00:53:FE"),
            "Alias": Variant("s", "host"),
            "Adapter": Variant("o", ADAPTER),
            "Connected": Variant("b", True),
            "Paired": Variant("b", False),
        }
        objects.put(CENTRAL, "org.bluez.Device1", central, {"Disconnect": self._hang_up})

    async def _register(self, call: Message) -> Answer:
        owner, root = str(call.sender), str(call.body[0])
        reply = await self._bluez.objects.call(owner, root, "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
        tree: dict[str, dict[str, dict[str, Any]]] = {
            path: {name: unpack_variants(props) for name, props in interfaces.items()}
            for path, interfaces in reply.body[0].items()
        }
        services = [
            Service(str(interfaces["org.bluez.GattService1"]["UUID"]), self._characteristics(owner, path, tree))
            for path, interfaces in sorted(tree.items())
            if "org.bluez.GattService1" in interfaces
        ]
        if not services:
            raise DBusError("org.bluez.Error.InvalidArguments", "No object received")
        peer = Peer("00:00:5E:00:53:01", "", services, mtu=self.mtu, is_advertising=False)
        self.peers[owner] = peer
        self._bluez.add(peer)
        return NOTHING

    def _characteristics(
        self, owner: str, service: str, tree: dict[str, dict[str, dict[str, Any]]]
    ) -> list[Characteristic]:
        found = []
        for path, interfaces in sorted(tree.items()):
            properties = interfaces.get("org.bluez.GattCharacteristic1")
            if properties is None or properties["Service"] != service:
                continue
            characteristic = Characteristic(str(properties["UUID"]), list(properties["Flags"]))
            app = _AppCharacteristic(self, owner, path, characteristic, "NotifyAcquired" in properties)
            characteristic.read, characteristic.wrote = app.read, app.wrote
            characteristic.subscribed, characteristic.sent = app.subscribed, app.sent
            found.append(characteristic)
        return found

    def _unregister(self, call: Message) -> Answer:
        peer = self.peers.pop(str(call.sender), None)
        if peer is not None:
            self._bluez.drop(peer)
            self._bluez.peers.pop(peer.address, None)
        return NOTHING

    async def _advertise(self, call: Message) -> Answer:
        owner, path = str(call.sender), str(call.body[0])
        reply = await self._bluez.objects.call(
            owner, path, "org.freedesktop.DBus.Properties", "GetAll", "s", ["org.bluez.LEAdvertisement1"]
        )
        properties = unpack_variants(reply.body[0])
        peer = self.peers[owner]
        peer.name, peer.advertised = properties["LocalName"], properties["ServiceUUIDs"]
        peer.is_advertising = True
        return NOTHING

    def _stop_advertising(self, call: Message) -> Answer:
        self.peers[str(call.sender)].is_advertising = False
        return NOTHING

    def _hang_up(self, call: Message) -> Answer:
        self._bluez.drop(self.peers[str(call.sender)])
        return NOTHING

    async def call_app(self, owner: str, path: str, member: str, signature: str, body: list[Any]) -> Message:
        return await self._bluez.objects.call(owner, path, "org.bluez.GattCharacteristic1", member, signature, body)

    def notify(self, characteristic: Characteristic, data: bytes) -> None:
        self._bluez.notify(characteristic, data[: self.mtu - HEADER])


class _AppCharacteristic:
    """One characteristic that a program serves."""

    def __init__(
        self, apps: Applications, owner: str, path: str, characteristic: Characteristic, has_socket: bool
    ) -> None:
        self._apps = apps
        self._owner = owner
        self._path = path
        self._characteristic = characteristic
        self._has_socket = has_socket
        self._socket: int | None = None
        self._writes: asyncio.Queue[bytes] = asyncio.Queue()
        self._writing: asyncio.Task[None] | None = None

    async def read(self) -> bytes:
        reply = await self._apps.call_app(self._owner, self._path, "ReadValue", "a{sv}", [self._options()])
        return bytes(reply.body[0])

    def wrote(self, data: bytes) -> None:
        self._writes.put_nowait(data)
        if self._writing is None or self._writing.done():
            self._writing = asyncio.ensure_future(self._pass_on())

    async def subscribed(self, on: bool) -> None:
        self._close()
        if on and self._has_socket:
            reply = await self._apps.call_app(self._owner, self._path, "AcquireNotify", "a{sv}", [self._options()])
            self._socket = reply.unix_fds[reply.body[0]]
            os.set_blocking(self._socket, False)
            asyncio.get_running_loop().add_reader(self._socket, self._readable)

    async def _pass_on(self) -> None:
        while not self._writes.empty():
            data = self._writes.get_nowait()
            body = [data, self._options() | {"type": Variant("s", "request")}]
            with contextlib.suppress(DBusError):  # the program may be gone
                await self._apps.call_app(self._owner, self._path, "WriteValue", "aya{sv}", body)

    def _options(self) -> dict[str, Variant]:
        return {"device": Variant("o", CENTRAL), "mtu": Variant("q", self._apps.mtu), "link": Variant("s", "LE")}

    def _readable(self) -> None:
        assert self._socket is not None
        try:
            data = os.read(self._socket, 512)
        except OSError:
            data = b""
        if not data:
            self._close()
            return
        self._apps.notify(self._characteristic, data)
        if len(self._characteristic.pending) >= BACKLOG:
            asyncio.get_running_loop().remove_reader(self._socket)

    def sent(self) -> None:
        if self._socket is not None and len(self._characteristic.pending) == BACKLOG // 2:
            asyncio.get_running_loop().add_reader(self._socket, self._readable)

    def _close(self) -> None:
        descriptor, self._socket = self._socket, None
        if descriptor is not None:
            with contextlib.suppress(RuntimeError):
                asyncio.get_running_loop().remove_reader(descriptor)
            os.close(descriptor)
