"""The air of a test: a private bus with a small `org.bluez` on a thread of its own, and meters in it.

Whatever connects (a link in this process, the installed command in a child) finds it through the environment variable
that names the system bus.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import Future
from typing import Any, TypeVar

from mini_bluez import HEADER, Characteristic, MiniBluez, Peer, Service
from mini_bluez_apps import Applications
from private_bus import PrivateBus, private_bus

T = TypeVar("T")

METER = "8d5e0001-6f3b-4c0e-9a57-2b1f4e7a9c10"
NOTIFIES = "8d5e0002-6f3b-4c0e-9a57-2b1f4e7a9c10"
TAKES = "8d5e0003-6f3b-4c0e-9a57-2b1f4e7a9c10"
INFORMATION, BATTERY = (f"0000{number}-0000-1000-8000-00805f9b34fb" for number in ("180a", "180f"))
TEXTS = {
    "maker": "00002a29-0000-1000-8000-00805f9b34fb",
    "model": "00002a24-0000-1000-8000-00805f9b34fb",
    "serial": "00002a25-0000-1000-8000-00805f9b34fb",
    "firmware": "00002a26-0000-1000-8000-00805f9b34fb",
}
LEVEL = "00002a19-0000-1000-8000-00805f9b34fb"


class Ether:
    """The air. `run` does something on its thread; everything of `bluez` is done so."""

    def __init__(self, bus: PrivateBus, *, has_adapter: bool = True, is_powered: bool = True, mtu: int = 247) -> None:
        self.bus = bus
        self.bluez = MiniBluez()
        self.mtu = mtu
        self._options = {"has_adapter": has_adapter, "is_powered": is_powered}
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="ether", daemon=True)
        self._thread.start()
        self.wait(self._start())

    async def _start(self) -> None:
        await self.bluez.start(self.bus.address, **self._options)
        self.apps = Applications(self.bluez, self.mtu)

    def run(self, work: Callable[[], T]) -> T:
        """Its result, done on the air's thread."""

        async def do() -> T:
            return work()

        return self.wait(do())

    def wait(self, work: Coroutine[Any, Any, T]) -> T:
        future: Future[T] = asyncio.run_coroutine_threadsafe(work, self._loop)
        return future.result(10)

    def restart(self) -> None:
        """The Bluetooth service starts anew, after `stop_service`; the peers are still in the air."""
        peers = self.bluez.peers
        self.bluez = MiniBluez()
        self.bluez.peers = peers
        self.wait(self._start())

    def stop_service(self) -> None:
        """The Bluetooth service dies; the bus lives."""
        self.wait(self.bluez.stop())

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self.stop_service()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.run_until_complete(_end(asyncio.all_tasks(self._loop)))
        self._loop.close()

    def meter(self, address: str = "C0:FF:EE:00:00:01", name: str = "Bench 1", **says: str | int) -> AirMeter:
        """A meter's radio in the air, without a meter behind it yet."""
        return AirMeter(self, address, name, says)


class AirMeter:
    """A meter's radio: its services, and a stream of bytes in packets as large as the link takes.

    Knobs: those of `peer`; `hear` gets what the host writes; `came` is told True and False as a host subscribes and
    goes; both are called on the air's thread. `packets` counts notifications.
    """

    def __init__(self, ether: Ether, address: str, name: str, says: dict[str, str | int]) -> None:
        self.ether = ether
        self.hear: Callable[[bytes], None] = lambda _data: None
        self.came: Callable[[bool], None] = lambda _is_here: None
        self.packets = 0
        self.doubled = False
        self.notifies = Characteristic(NOTIFIES, ["notify"], subscribed=lambda on: self.came(on))
        self.takes = Characteristic(TAKES, ["write"], wrote=lambda data: self.hear(data))
        texts = [Characteristic(TEXTS[what], ["read"], str(says[what]).encode()) for what in TEXTS if what in says]
        services = [Service(METER, [self.notifies, self.takes])]
        if texts:
            services.append(Service(INFORMATION, texts))
        if "battery" in says:
            services.append(Service(BATTERY, [Characteristic(LEVEL, ["read"], bytes([int(says["battery"])]))]))
        self.peer = Peer(address, name, services)
        ether.run(lambda: ether.bluez.add(self.peer))

    @property
    def url(self) -> str:
        return f"ble:{self.peer.address}"

    def notify(self, data: bytes, *, unasked: bool = False) -> None:
        """Send bytes to the host; lost where there is none. On the air's thread."""
        size = self.peer.mtu - HEADER
        for at in range(0, len(data), size):
            for _ in range(2 if self.doubled else 1):
                self.packets += self.ether.bluez.notify(self.notifies, data[at : at + size], unasked=unasked)

    def send(self, data: bytes, *, unasked: bool = False) -> None:
        """Like `notify`, from any thread but the air's."""
        self.ether.run(lambda: self.notify(data, unasked=unasked))

    def drop(self) -> None:
        """The link breaks; the meter goes on advertising."""
        self.ether.run(lambda: self.ether.bluez.drop(self.peer))

    def walk_away(self) -> None:
        """Out of reach."""

        def away() -> None:
            self.peer.is_advertising = False
            self.ether.bluez.drop(self.peer)

        self.ether.run(away)

    def walk_back(self) -> None:
        self.peer.is_advertising = True


async def _end(tasks: set[asyncio.Task[Any]]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


@contextlib.contextmanager
def ether(**options: Any) -> Iterator[Ether]:
    air = Ether(private_bus(), **options)
    try:
        yield air
    finally:
        air.close()
