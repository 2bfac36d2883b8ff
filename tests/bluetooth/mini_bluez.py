"""A small `org.bluez` for tests: unmodified bleak scans, connects, reads, writes, is notified; there is no radio.

The test owns the air: who advertises, when a link drops, what is refused. Written from BlueZ's published D-Bus
interfaces; it knows nothing of the project. What it cannot show: pairing, air time, a real adapter's quirks.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from dbus_fast import BusType, DBusError, Message, Variant
from dbus_fast.aio import MessageBus

from drivers.simulator.ble_objects import NOTHING, Answer, Objects

ADAPTER = "/org/bluez/hci0"
HEADER = 3
"""Bytes of a packet that the attribute protocol takes for itself."""
WINDOW = 64
"""Notifications sent before it is awaited that the bus has taken them: dbus-fast gives up on a full socket."""
ADVERTISE_EVERY_S = 0.05


@dataclass(eq=False)
class Characteristic:
    """One characteristic of a peer. `read` and `wrote` may be replaced; `subscribed` is told True and False."""

    uuid: str
    flags: list[str]
    value: bytes = b""
    wrote: Callable[[bytes], None] = lambda _data: None
    read: Callable[[], Any] | None = None
    subscribed: Callable[[bool], Any] = lambda _on: None
    path: str = ""
    notifying: bool = False
    sent: Callable[[], None] = lambda: None
    pending: deque[bytes] = field(default_factory=deque)
    pump: asyncio.Task[None] | None = None


@dataclass(eq=False)
class Service:
    uuid: str
    characteristics: list[Characteristic]


@dataclass(eq=False)
class Peer:
    """A peripheral in the air. Knobs may be turned at any time."""

    address: str
    name: str
    services: list[Service]
    mtu: int = 247
    rssi: int = -55
    advertised: list[str] | None = None
    """Service UUIDs that it advertises; None is those it has."""
    is_advertising: bool = True
    paired: bool = False
    resolve_delay_s: float = 0.0
    stale_services: list[Service] | None = None
    """What the system remembers of its table, until the device is removed."""
    connect_errors: list[tuple[str, str]] = field(default_factory=list)
    connect_hangs: bool = False
    disconnect_hangs: bool = False
    linked: Callable[[bool], None] = lambda _on: None
    is_connected: bool = False

    @property
    def path(self) -> str:
        return f"{ADAPTER}/dev_{self.address.replace(':', '_')}"

    def characteristic(self, uuid: str) -> Characteristic:
        return next(c for service in self.services for c in service.characteristics if c.uuid == uuid)


class MiniBluez:
    """The service, on a bus of its own. Everything runs on the loop that started it.

    Attributes:
        overlaps: how often somebody connected while a scan or another connection was under way.
        refuse: errors that the next calls to characteristics get.
        scan_errors: errors that the next scans get.
        bytes_per_s: how much the air carries; without end unless a test says otherwise.
    """

    def __init__(self) -> None:
        self.peers: dict[str, Peer] = {}
        self.refuse: list[tuple[str, str]] = []
        self.scan_errors: list[tuple[str, str]] = []
        self.bytes_per_s = float("inf")
        self._free_at_s = 0.0
        self.overlaps = 0
        self.connects = 0
        self.scans = 0
        self._scanning = 0
        self._connecting = 0
        self._unsettled = 0
        self._settling = asyncio.Lock()
        self._known: set[str] = set()
        self._advertising: asyncio.Task[None] | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self, address: str, *, has_adapter: bool = True, is_powered: bool = True) -> None:
        bus = MessageBus(bus_address=address, bus_type=BusType.SYSTEM, negotiate_unix_fd=True)
        self.objects = Objects(await bus.connect())
        if has_adapter:
            self.plug_in(is_powered=is_powered)
        await bus.request_name("org.bluez")

    async def stop(self) -> None:
        """The service dies without a word, as bluetoothd does when it is killed."""
        for task in (self._advertising, *self._tasks):
            if task is not None:
                task.cancel()
        self.objects.bus.disconnect()
        with contextlib.suppress(Exception):
            await self.objects.bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    def plug_in(self, *, is_powered: bool = True) -> None:
        self.objects.put(
            ADAPTER,
            "org.bluez.Adapter1",
            {
                "Address": Variant("s", "00:00:5E:00:53:01"),
                "Name": Variant("s", "bench"),
                "Alias": Variant("s", "bench"),
                "Powered": Variant("b", is_powered),
                "Discovering": Variant("b", False),
                "Roles": Variant("as", ["central", "peripheral"]),
                "UUIDs": Variant("as", []),
            },
            {
                "SetDiscoveryFilter": lambda _call: NOTHING,
                "StartDiscovery": self._start_discovery,
                "StopDiscovery": self._stop_discovery,
                "RemoveDevice": self._remove_device,
            },
        )

    def unplug(self) -> None:
        """The adapter is pulled out: every link drops."""
        for peer in list(self.peers.values()):
            self.drop(peer)
            self._forget(peer)
        self.objects.take_away(ADAPTER)

    def power(self, on: bool) -> None:
        for peer in list(self.peers.values()):
            if not on:
                self.drop(peer)
        self.objects.change(ADAPTER, "org.bluez.Adapter1", {"Powered": Variant("b", on)})
        self._powered = on

    _powered = True

    def add(self, peer: Peer) -> Peer:
        """Put a peer in the air."""
        self.peers[peer.address] = peer
        return peer

    def drop(self, peer: Peer) -> None:
        """The link breaks."""
        if not peer.is_connected:
            return
        peer.is_connected = False
        self._unexport(peer)
        states = {"ServicesResolved": Variant("b", False), "Connected": Variant("b", False)}
        self.objects.change(peer.path, "org.bluez.Device1", states)
        peer.linked(False)

    def vanish_table(self, peer: Peer) -> None:
        """The peer's table goes away while it stays connected."""
        self._unexport(peer)

    def notify(self, characteristic: Characteristic, data: bytes, *, unasked: bool = False) -> bool:
        """Queue one notification. False where nobody subscribed; `unasked` sends it all the same."""
        if not characteristic.path or not (characteristic.notifying or unasked):
            return False
        characteristic.pending.append(data)
        if characteristic.pump is None or characteristic.pump.done():
            characteristic.pump = self._spawn(self._pump(characteristic))
        return True

    # --- adapter --------------------------------------------------------------------------------------------------

    def _start_discovery(self, _call: Message) -> Answer:
        if self.scan_errors:
            raise DBusError(*self.scan_errors.pop(0))
        if not self._powered:
            raise DBusError("org.bluez.Error.NotReady", "Resource Not Ready")
        self._scanning += 1
        self.scans += 1
        self.overlaps += bool(self._connecting)
        if self._advertising is None or self._advertising.done():
            self._advertising = self._spawn(self._advertise())
        return NOTHING

    def _stop_discovery(self, _call: Message) -> Answer:
        self._scanning = max(0, self._scanning - 1)
        return NOTHING

    def _remove_device(self, call: Message) -> Answer:
        peer = next((p for p in self.peers.values() if p.path == call.body[0] and p.path in self._known), None)
        if peer is None:
            raise DBusError("org.bluez.Error.DoesNotExist", "Does Not Exist")
        self.drop(peer)
        peer.stale_services = None
        self._forget(peer)
        return NOTHING

    async def _advertise(self) -> None:
        while self._scanning:
            for peer in list(self.peers.values()):
                if not peer.is_advertising or peer.is_connected:
                    continue
                if peer.path in self._known:
                    self.objects.change(peer.path, "org.bluez.Device1", {"RSSI": Variant("n", peer.rssi)})
                else:
                    await self._show(peer)
            await asyncio.sleep(ADVERTISE_EVERY_S)

    async def _show(self, peer: Peer) -> None:
        """Tell of a peer, and return when it is on the bus: dbus-fast takes a socket that is full for a broken one."""
        self._known.add(peer.path)
        uuids = [service.uuid for service in peer.services] if peer.advertised is None else peer.advertised
        await self.objects.settle()
        sent = self.objects.put(
            peer.path,
            "org.bluez.Device1",
            {
                "Address": Variant("s", peer.address),
                "AddressType": Variant("s", "random"),
                "Name": Variant("s", peer.name),
                "Alias": Variant("s", peer.name),
                "Adapter": Variant("o", ADAPTER),
                "Paired": Variant("b", peer.paired),
                "Trusted": Variant("b", False),
                "Blocked": Variant("b", False),
                "LegacyPairing": Variant("b", False),
                "Connected": Variant("b", peer.is_connected),
                "ServicesResolved": Variant("b", False),
                "UUIDs": Variant("as", uuids),
                "RSSI": Variant("n", peer.rssi),
            },
            {"Connect": lambda _call: self._connect(peer), "Disconnect": lambda _call: self._disconnect(peer)},
        )
        if sent is not None:
            await sent

    def _forget(self, peer: Peer) -> None:
        self._known.discard(peer.path)
        self.objects.take_away(peer.path)

    # --- device ---------------------------------------------------------------------------------------------------

    async def _connect(self, peer: Peer) -> Answer:
        self.connects += 1
        self.overlaps += bool(self._scanning) + bool(self._connecting)
        self._connecting += 1
        try:
            if peer.connect_hangs:
                await asyncio.Event().wait()
            if peer.connect_errors:
                raise DBusError(*peer.connect_errors.pop(0))
            if not peer.is_advertising:
                raise DBusError("org.bluez.Error.Failed", "le-connection-abort-by-remote")
        finally:
            self._connecting -= 1
        peer.is_connected = True
        self.objects.change(peer.path, "org.bluez.Device1", {"Connected": Variant("b", True)})
        self._spawn(self._resolve(peer))
        return NOTHING

    async def _disconnect(self, peer: Peer) -> Answer:
        if peer.disconnect_hangs:
            await asyncio.Event().wait()
        self.drop(peer)
        return NOTHING

    async def _resolve(self, peer: Peer) -> None:
        await asyncio.sleep(peer.resolve_delay_s)
        if not peer.is_connected:
            return
        handle = 1
        for service in peer.services if peer.stale_services is None else peer.stale_services:
            service_path = f"{peer.path}/service{handle:04x}"
            handle += 1
            self.objects.put(service_path, "org.bluez.GattService1", _service_properties(service, peer))
            for characteristic in service.characteristics:
                characteristic.path = f"{service_path}/char{handle:04x}"
                handle += 2
                self._export(characteristic, service_path, peer)
        self.objects.change(peer.path, "org.bluez.Device1", {"ServicesResolved": Variant("b", True)})
        peer.linked(True)

    def _export(self, characteristic: Characteristic, service_path: str, peer: Peer) -> None:
        self.objects.put(
            characteristic.path,
            "org.bluez.GattCharacteristic1",
            {
                "UUID": Variant("s", characteristic.uuid),
                "Service": Variant("o", service_path),
                "Flags": Variant("as", characteristic.flags),
                "Notifying": Variant("b", False),
                "Value": Variant("ay", b""),
                "MTU": Variant("q", peer.mtu),
            },
            {
                "ReadValue": lambda _call: self._read(characteristic),
                "WriteValue": lambda call: self._write(characteristic, call, peer),
                "StartNotify": lambda _call: self._subscribe(characteristic, True),
                "StopNotify": lambda _call: self._subscribe(characteristic, False),
            },
        )

    def _unexport(self, peer: Peer) -> None:
        for service in [*peer.services, *(peer.stale_services or [])]:
            for characteristic in service.characteristics:
                was, characteristic.notifying, characteristic.path = characteristic.notifying, False, ""
                characteristic.pending.clear()
                told = characteristic.subscribed(False) if was else None
                if asyncio.iscoroutine(told):
                    self._spawn(told)
        for path in self.objects.below(peer.path):
            self.objects.take_away(path)

    # --- characteristics ------------------------------------------------------------------------------------------

    def _gate(self) -> None:
        if self.refuse:
            raise DBusError(*self.refuse.pop(0))

    async def _read(self, characteristic: Characteristic) -> Answer:
        self._gate()
        if characteristic.read is None:
            return Answer("ay", [characteristic.value])
        value = characteristic.read()
        return Answer("ay", [await value if asyncio.iscoroutine(value) else value])

    def _write(self, characteristic: Characteristic, call: Message, peer: Peer) -> Answer:
        self._gate()
        data, options = call.body
        kind = options.get("type")
        if len(data) > peer.mtu - HEADER and (kind is None or kind.value != "reliable"):
            raise DBusError("org.bluez.Error.Failed", "Operation failed with ATT error: 0x0d")
        characteristic.wrote(bytes(data))
        return NOTHING

    async def _subscribe(self, characteristic: Characteristic, on: bool) -> Answer:
        self._gate()
        characteristic.notifying = on
        told = characteristic.subscribed(on)
        if asyncio.iscoroutine(told):
            await told
        return NOTHING

    async def _pump(self, characteristic: Characteristic) -> None:
        while characteristic.pending:
            async with self._settling:
                self._unsettled += 1
                if self._unsettled >= WINDOW:
                    await self.objects.settle()
                    self._unsettled = 0
            if characteristic.pending:  # the link may have dropped meanwhile
                data = characteristic.pending.popleft()
                await self._air_time(len(data))
                value = {"Value": Variant("ay", data)}
                self.objects.change(characteristic.path, "org.bluez.GattCharacteristic1", value)
            characteristic.sent()

    async def _air_time(self, size: int) -> None:
        """Let as much time pass as the packet takes in the air; a little is saved up before it is slept."""
        loop = asyncio.get_running_loop()
        self._free_at_s = max(self._free_at_s, loop.time()) + size / self.bytes_per_s
        if self._free_at_s > loop.time() + 0.005:
            await asyncio.sleep(self._free_at_s - loop.time())

    def _spawn(self, work: Any) -> asyncio.Task[None]:
        task: asyncio.Task[None] = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task


def _service_properties(service: Service, peer: Peer) -> dict[str, Variant]:
    return {
        "UUID": Variant("s", service.uuid),
        "Primary": Variant("b", True),
        "Device": Variant("o", peer.path),
        "Includes": Variant("ao", []),
    }
