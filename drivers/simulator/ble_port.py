"""The Bluetooth side of a served meter: a peripheral on this machine's own adapter, through BlueZ. Linux only.

The meter's services are registered with BlueZ, and its bytes go out through the socket that BlueZ asks for when a host
subscribes: so it is known how much one packet carries, and a host that is gone is noticed.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

from dbus_fast import AuthError, BusType, DBusError, InvalidAddressError, Message, Variant
from dbus_fast.aio import MessageBus

from drivers.links.ble_service import (
    ATT_HEADER_BYTES,
    BATTERY,
    BATTERY_LEVEL,
    DEVICE_INFORMATION,
    FIRMWARE,
    FROM_METER,
    LEAST_MTU,
    MAKER,
    METER_SERVICE,
    MODEL,
    SERIAL_NUMBER,
    TO_METER,
    DeviceSays,
)
from drivers.simulator.ble_objects import NOTHING, Answer, Method, Objects
from logger.errors import LinkFailed, LinkReason

BLUEZ: Final = "org.bluez"
ROOT: Final = "/zerofirst/meter"
ADVERTISEMENT: Final = f"{ROOT}/advertisement"

UNSENT_BYTES_AT_MOST: Final = 1024 * 1024
"""What waits for a host that does not take it, bytes: a memory's answer comes faster than the air takes it. What is
more is lost."""

NAME_AT_MOST: Final = 20
"""Longest name that is advertised, bytes: it shares 31 with what else must stand there."""

CALL_LIMIT_S: Final = 5.0
"""Longest that BlueZ may take to answer, seconds; registering takes it a few milliseconds."""

CLOSE_WITHIN_S: Final = 1.0
"""How long closing may take, seconds."""


class BlePort:
    """See `serve.Port`.

    Args:
        hear: gets what the host sends.
        says: what the standard services say; asked at each read.
        name: what the meter calls itself in the air.
    """

    def __init__(self, hear: Callable[[bytes], None], says: Callable[[], DeviceSays], name: str) -> None:
        self._hear = hear
        self._says = says
        self._name = name.encode("utf-8")[:NAME_AT_MOST].decode("utf-8", "ignore")
        self._objects: Objects | None = None
        self._unsent = bytearray()
        self._socket: socket.socket | None = None
        self._packet_bytes = LEAST_MTU - ATT_HEADER_BYTES
        self._host = ""
        self._is_away = False
        self._is_advertised = False
        self._setting: asyncio.Task[None] | None = None

    async def open(self) -> str:
        """Register with BlueZ and advertise; yields the adapter's address.

        Raises:
            LinkFailed: without BlueZ, without an adapter, or where it is not allowed or switched off.
        """
        try:
            async with asyncio.timeout(CALL_LIMIT_S):
                bus = await MessageBus(bus_type=BusType.SYSTEM, negotiate_unix_fd=True).connect()
                self._objects = Objects(bus, ROOT)
                self._adapter, address = await self._find_adapter()
                self._offer()
                await self._manage("GattManager1", "RegisterApplication", ROOT)
                await self._set_advertised(True)
        except TimeoutError as late:
            await self.close()
            raise _failed("BlueZ does not answer", "restart the Bluetooth service") from late
        except (DBusError, AuthError, InvalidAddressError, OSError) as refused:
            await self.close()
            raise _failed(f"BlueZ does not serve the meter ({refused})", _REMEDY) from refused
        return address

    def write(self, data: bytes) -> None:
        """Send, in packets as large as the host takes; lost where there is none, or it does not take it."""
        if self._socket is not None and len(self._unsent) + len(data) <= UNSENT_BYTES_AT_MOST:
            self._unsent += data
            self._flush()

    def hang_up(self) -> None:
        """Drop the host, and advertise no more."""
        self._is_away = True
        self._let_go()
        self._set()

    def pick_up(self) -> None:
        """Advertise again."""
        self._is_away = False
        self._set()

    async def close(self) -> None:
        """Take the meter off the air; returns within a second."""
        self._let_go()
        if self._setting is not None:
            self._setting.cancel()
        if self._objects is not None:
            self._objects.bus.disconnect()  # BlueZ forgets whatever a program had registered that is gone
            with suppress(Exception):  # why the bus ended, or that it does not: it is done with in any case
                async with asyncio.timeout(CLOSE_WITHIN_S):
                    await self._objects.bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    @property
    def _bus(self) -> Objects:
        assert self._objects is not None
        return self._objects

    # --- what is offered ------------------------------------------------------------------------------------------

    async def _find_adapter(self) -> tuple[str, str]:
        reply = await self._bus.call(BLUEZ, "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
        for path, interfaces in sorted(reply.body[0].items()):
            if f"{BLUEZ}.GattManager1" in interfaces and f"{BLUEZ}.Adapter1" in interfaces:
                return path, str(interfaces[f"{BLUEZ}.Adapter1"]["Address"].value)
        raise DBusError("org.bluez.Error.DoesNotExist", "there is no adapter")

    def _offer(self) -> None:
        acquire: dict[str, Method] = {"AcquireNotify": self._acquire, "StopNotify": self._stop}
        self._service(1, METER_SERVICE)
        self._characteristic(1, 1, FROM_METER, ["notify"], acquire, {"NotifyAcquired": Variant("b", False)})
        self._characteristic(1, 2, TO_METER, ["write"], {"WriteValue": self._written})
        self._service(2, DEVICE_INFORMATION)
        self._text(1, MAKER, lambda says: says.maker)
        self._text(2, MODEL, lambda says: says.model)
        self._text(3, SERIAL_NUMBER, lambda says: says.serial)
        self._text(4, FIRMWARE, lambda says: says.firmware)
        self._service(3, BATTERY)
        self._read_only(3, 1, BATTERY_LEVEL, lambda says: bytes([says.battery_percent or 0]))
        properties = {
            "Type": Variant("s", "peripheral"),
            "ServiceUUIDs": Variant("as", [METER_SERVICE]),
            "LocalName": Variant("s", self._name),
        }
        self._bus.put(ADVERTISEMENT, f"{BLUEZ}.LEAdvertisement1", properties, {"Release": lambda _call: NOTHING})

    def _service(self, number: int, uuid: str) -> None:
        properties = {"UUID": Variant("s", uuid), "Primary": Variant("b", True)}
        self._bus.put(f"{ROOT}/service{number}", f"{BLUEZ}.GattService1", properties)

    def _characteristic(
        self,
        service: int,
        number: int,
        uuid: str,
        flags: list[str],
        methods: dict[str, Method],
        more: dict[str, Variant] | None = None,
    ) -> None:
        path = f"{ROOT}/service{service}"
        properties = {"UUID": Variant("s", uuid), "Service": Variant("o", path), "Flags": Variant("as", flags)}
        self._bus.put(f"{path}/char{number}", f"{BLUEZ}.GattCharacteristic1", properties | (more or {}), methods)

    def _text(self, number: int, uuid: str, what: Callable[[DeviceSays], str]) -> None:
        self._read_only(2, number, uuid, lambda says: what(says).encode("utf-8"))

    def _read_only(self, service: int, number: int, uuid: str, value: Callable[[DeviceSays], bytes]) -> None:
        def read(_call: Message) -> Answer:
            return Answer("ay", [value(self._says())])

        self._characteristic(service, number, uuid, ["read"], {"ReadValue": read})

    # --- a host ---------------------------------------------------------------------------------------------------

    def _acquire(self, call: Message) -> Answer:
        """A host subscribed: BlueZ gets one end of a socket, each packet of which it notifies."""
        if self._is_away:
            raise DBusError("org.bluez.Error.Failed", "the meter is away")
        self._let_go()
        options: dict[str, Any] = call.body[0]
        mtu = int(options["mtu"].value) if "mtu" in options else LEAST_MTU
        self._packet_bytes = max(LEAST_MTU, mtu) - ATT_HEADER_BYTES
        self._host = str(options["device"].value) if "device" in options else ""
        self._socket, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._socket.setblocking(False)
        asyncio.get_running_loop().add_reader(self._socket.fileno(), self._let_go)
        return Answer("hq", [0, mtu], [theirs.detach()])

    def _stop(self, _call: Message) -> Answer:
        self._let_go()
        return NOTHING

    def _written(self, call: Message) -> Answer:
        if not self._is_away:
            self._hear(bytes(call.body[0]))
        return NOTHING

    def _let_go(self) -> None:
        """No host takes anything any more; what was on its way is gone. BlueZ never sends through the socket, so that
        it can be read at all means that it was closed."""
        self._unsent.clear()
        gone, self._socket = self._socket, None
        if gone is not None:
            loop = asyncio.get_running_loop()
            loop.remove_reader(gone.fileno())
            loop.remove_writer(gone.fileno())
            gone.close()

    def _flush(self) -> None:
        while self._socket is not None and self._unsent:
            try:
                self._socket.send(self._unsent[: self._packet_bytes])
            except BlockingIOError:
                asyncio.get_running_loop().add_writer(self._socket.fileno(), self._flush)
                return
            except OSError:
                self._let_go()
                return
            del self._unsent[: self._packet_bytes]
        if self._socket is not None:
            asyncio.get_running_loop().remove_writer(self._socket.fileno())

    # --- on the air or not ----------------------------------------------------------------------------------------

    def _set(self) -> None:
        if self._setting is None or self._setting.done():
            self._setting = asyncio.ensure_future(self._do_as_told())

    async def _do_as_told(self) -> None:
        """Bring BlueZ to where `hang_up` and `pick_up` want it; they may change their mind meanwhile."""
        while self._is_advertised == self._is_away:
            wanted = not self._is_away
            try:
                await self._set_advertised(wanted)
                if not wanted and self._host:
                    await self._bus.call(BLUEZ, self._host, f"{BLUEZ}.Device1", "Disconnect")
            except DBusError:
                self._is_advertised = wanted  # BlueZ has it that way already, or is gone

    async def _set_advertised(self, wanted: bool) -> None:
        await self._manage(
            "LEAdvertisingManager1", "RegisterAdvertisement" if wanted else "UnregisterAdvertisement", ADVERTISEMENT
        )
        self._is_advertised = wanted

    async def _manage(self, manager: str, member: str, path: str) -> None:
        takes_options = member.startswith("Register")
        signature, body = ("oa{sv}", [path, {}]) if takes_options else ("o", [path])
        await self._bus.call(BLUEZ, self._adapter, f"{BLUEZ}.{manager}", member, signature, body)


_REMEDY: Final = "check that Bluetooth is switched on (`bluetoothctl show`), or serve on --tcp or --pty"


def _failed(sentence: str, remedy: str) -> LinkFailed:
    return LinkFailed(sentence, remedy, LinkReason.UNAVAILABLE)
