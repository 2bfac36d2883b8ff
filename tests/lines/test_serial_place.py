"""An adapter that comes back under another name is found by what it says of itself; no other is taken for it."""

from __future__ import annotations

import asyncio
import os
import sys

import pytest

from drivers.links.serial_list import SerialPort
from drivers.links.serial_place import LIST_EVERY_S, PortList, SerialPlace
from drivers.links.serial_port import SerialLink
from logger.clock import ManualClock, SystemClock
from logger.errors import LinkFailed, LinkReason

ADAPTER = (0x1A86, 0x7523)


class Machine:
    """The ports of a machine, as they are plugged."""

    def __init__(self, clock: ManualClock | SystemClock) -> None:
        self.clock = clock
        self.ports: list[SerialPort] = []
        self.looks = 0

    def plug(self, path: str, serial: str = "A17", ids: tuple[int, int] | tuple[None, None] = ADAPTER) -> None:
        self.ports.append(SerialPort(path, serial=serial, vendor_id=ids[0], product_id=ids[1]))

    def lister(self, limit_s: float) -> PortList:
        assert 0 < limit_s <= 3
        self.looks += 1
        return tuple(self.ports), True

    def place(self, path: str) -> SerialPlace:
        return SerialPlace(path, self.clock, self.lister)


def machine_with(clock: ManualClock, *before: str) -> tuple[Machine, SerialPlace]:
    machine = Machine(clock)
    for path in before:
        machine.plug(path)
    place = machine.place("COM5")
    place.opened()
    machine.ports.clear()
    clock.advance(LIST_EVERY_S + 1)
    return machine, place


def test_the_same_adapter_is_found_under_its_new_name() -> None:
    machine, place = machine_with(ManualClock(), "COM5")
    machine.plug("COM7", serial="B18")
    machine.plug("COM9")
    assert place.elsewhere() == "COM9"


@pytest.mark.parametrize(("serial", "ids"), [("B18", ADAPTER), ("A17", (1, 2)), ("", ADAPTER), ("A17", (None, None))])
def test_another_adapter_is_not_taken_for_it(serial: str, ids: tuple[int, int] | tuple[None, None]) -> None:
    machine, place = machine_with(ManualClock(), "COM5")
    machine.plug("COM9", serial, ids)
    assert place.elsewhere() is None


def test_two_that_say_the_same_are_not_told_apart() -> None:
    machine, place = machine_with(ManualClock(), "COM5")
    machine.plug("COM8")
    machine.plug("COM9")
    assert place.elsewhere() is None


def test_what_was_never_open_is_not_looked_for() -> None:
    clock = ManualClock()
    machine = Machine(clock)
    machine.plug("COM9")
    assert machine.place("COM5").elsewhere() is None
    assert machine.looks == 0
    unlisted = machine.place("/dev/pts/7")
    unlisted.opened()
    assert unlisted.elsewhere() is None


def test_a_port_that_is_tried_often_is_listed_seldom() -> None:
    clock = ManualClock()
    machine, place = machine_with(clock, "COM5")
    for _ in range(100):
        place.elsewhere()
        place.opened()
        clock.advance(0.3)
    assert machine.looks <= 5


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_the_link_follows_its_adapter_to_another_port() -> None:
    async def story() -> None:
        clock = SystemClock()
        machine = Machine(clock)
        first, slave = os.openpty()
        path = os.ttyname(slave)
        os.close(slave)
        machine.plug(path)
        place = machine.place(path)
        link = SerialLink(place, 115_200, clock)
        await link.open()
        await link.close()
        second, slave = os.openpty()
        elsewhere = os.ttyname(slave)
        os.close(slave)
        os.close(first)
        machine.ports.clear()
        place._listed_ns = None
        link = SerialLink(place, 115_200, clock)
        with pytest.raises(LinkFailed) as failed:
            await link.open()
        assert failed.value.reason is LinkReason.MISSING
        machine.plug(elsewhere)
        place._listed_ns = None
        link = SerialLink(place, 115_200, clock)
        await link.open()
        os.write(second, b"here")
        assert (await link.receive()).data[:1] == b"h"
        await link.close()
        os.close(second)

    asyncio.run(story())
