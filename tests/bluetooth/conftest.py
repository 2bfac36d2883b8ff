"""The air and the adapter for the tests of this folder, and the option that names a real meter."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "journeys"))  # the contract's stranger is tried over the air as well

from ether import Ether, ether
from private_bus import VARIABLE

from drivers.links.ble_air import Air, close_shared_air


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--ble", metavar="ADDRESS", help="a real Bluetooth meter in reach, to try the link on")


@pytest.fixture
def sky(monkeypatch: pytest.MonkeyPatch) -> Iterator[Ether]:
    """An air with an adapter that is switched on; whatever looks for the system's Bluetooth finds it."""
    if shutil.which("dbus-daemon") is None:
        pytest.skip("there is no dbus-daemon: install the package dbus-daemon (.ci/run does)")
    with ether() as air:
        monkeypatch.setenv(VARIABLE, air.bus.address)
        yield air
        close_shared_air()


@pytest.fixture
def adapter(sky: Ether) -> Iterator[Air]:
    """Our side of it: the thread on which Bluetooth happens. Nothing may be left over on it."""
    air = Air()
    yield air
    air.close()
    assert not air.faults
