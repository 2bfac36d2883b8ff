"""Where a meter's port is: under the name that was given, or wherever its adapter turned up again.

A USB adapter that is pulled and plugged in may come back under another name. Once its port was open it is known by what
it says of itself, and found by that. Used in the ports' threads, since listing ports may block.
"""

from __future__ import annotations

import os
from collections.abc import Callable

from drivers.links.serial_list import SerialPort, serial_ports
from logger.clock import NS_PER_S, Clock

LIST_LIMIT_S = 1.0
"""Longest wait for the list of ports while opening one, seconds: well inside the time to open."""

LIST_EVERY_S = 10.0
"""How old a list may be, seconds: on some systems listing stalls every other thread, and a lost port is tried often."""

PortList = tuple[tuple[SerialPort, ...], bool]
"""The ports, and whether the list is whole."""


class SerialPlace:
    """The port of one meter, through all its connections.

    Args:
        path: as the operator gave it.
        clock: tells how old a list is.
        lister: lists the ports within a number of seconds.
    """

    def __init__(self, path: str, clock: Clock, lister: Callable[[float], PortList] = serial_ports) -> None:
        self.path = path
        self._clock = clock
        self._lister = lister
        self._listed: PortList = ((), False)
        self._listed_ns: int | None = None
        self._adapter: tuple[int, int, str] | None = None
        self._was_open = False

    def ports(self) -> PortList:
        """The ports that there are, or were a short time ago."""
        now_ns = self._clock.mono_ns()
        if self._listed_ns is None or now_ns - self._listed_ns > LIST_EVERY_S * NS_PER_S:
            self._listed = self._lister(LIST_LIMIT_S)
            self._listed_ns = now_ns
        return self._listed

    def opened(self) -> None:
        """The port is open under the name given: remember, the first time, whose adapter that is."""
        if self._was_open:
            return
        self._was_open = True
        device = os.path.realpath(self.path)
        for port in self.ports()[0]:
            if os.path.realpath(port.path) == device:
                self._adapter = _says_it_is(port)

    def elsewhere(self) -> str | None:
        """Where the adapter is, now that there is no port of the name given; None if it is nowhere, or not known."""
        if self._adapter is None:
            return None
        found = [port.path for port in self.ports()[0] if _says_it_is(port) == self._adapter]
        return found[0] if len(found) == 1 and found[0] != self.path else None


def _says_it_is(port: SerialPort) -> tuple[int, int, str] | None:
    """What tells one adapter from all others; None for those that have no number of their own."""
    if port.vendor_id is None or port.product_id is None or not port.serial:
        return None
    return port.vendor_id, port.product_id, port.serial
