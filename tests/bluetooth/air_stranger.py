"""The contract's stranger with a radio: the very meter that is tried on TCP, its bytes carried through the air.

The stranger's meter talks into a socket as ever; what stands at the other end of that socket is a Bluetooth radio.
"""

from __future__ import annotations

import contextlib
import socket

from ether import Ether
from stranger import StrangerMeter

READ_BYTES = 4096


class AirborneStranger(StrangerMeter):
    """A stranger's meter whose every carrier is the air: it stays in reach, and a host may come and go."""

    def __init__(
        self,
        sky: Ether,
        serial: str = "S-77",
        boot: str = "aa01",
        *,
        talks_only: bool = False,
        address: str = "C0:FF:EE:00:00:01",
    ) -> None:
        super().__init__(serial, boot, talks_only=talks_only)
        self._sky = sky
        self._address = address
        self._ears: socket.socket | None = None

    def on_ble(self) -> str:
        """Advertise; the URL to record from."""
        self.radio = self._sky.meter(
            self._address,
            f"{self.model} {self.serial}",
            serial=self.serial,
            maker=self.maker,
            model=self.model,
            firmware="1.0",
            battery=88,
        )
        self.radio.came = self._host_came
        self.radio.hear = self._host_said
        return self.radio.url

    def on_tcp(self) -> str:
        return self.on_ble()

    def on_pty(self) -> str:
        return self.on_ble()

    def stop(self) -> None:
        self._hang_up()
        super().stop()

    def _host_came(self, is_here: bool) -> None:
        """On the air's thread: a host subscribed, or is gone."""
        self._hang_up()
        if is_here:
            ears, mouth = socket.socketpair()
            self._ears = ears
            self._start(self._live, mouth)
            self._life = self._threads[-1]
            self._start(self._broadcast, ears)

    def _host_said(self, data: bytes) -> None:
        if self._ears is not None:
            self._ears.sendall(data)

    def _live(self, mouth: socket.socket) -> None:
        """The meter, as long as the host is there; when it hangs up itself, its radio drops the link."""
        with mouth:
            self._talk(mouth.fileno(), mouth.sendall)

    def _broadcast(self, ears: socket.socket) -> None:
        with ears, contextlib.suppress(OSError):
            while data := ears.recv(READ_BYTES):
                self.radio.send(data)
        if self._ears is ears:
            self.radio.drop()

    def _hang_up(self) -> None:
        ears, self._ears = self._ears, None
        if ears is not None:
            with contextlib.suppress(OSError):
                ears.shutdown(socket.SHUT_RDWR)
            self._life.join(2)  # the meter speaks to one host at a time
