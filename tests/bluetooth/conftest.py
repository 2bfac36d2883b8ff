"""The air and the adapter for the tests of this folder, and the option that names a real meter."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from blockbuster import blockbuster_ctx

sys.path.append(str(Path(__file__).parents[1] / "journeys"))  # the contract's stranger is tried over the air as well

from air_stranger import AirborneStranger
from ether import Ether, ether
from private_bus import VARIABLE, stop_private_bus
from test_strangers_meter import shed as shed

from drivers.links.ble_air import Air, close_shared_air


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--ble", metavar="ADDRESS", help="a real Bluetooth meter in reach, to try the link on")


ALWAYS = ("whole_job", "a_drop_out", "damage", "hostile", "a_kill[result]", "one_meters_drop_out")
"""Of the stranger's tests, those that every run tries over the air: what another carrier can change."""

STRANGERS = {"test_stranger_on_air.py", "test_several_meters_on_air.py"}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Each starts the command anew; all of them are for `-m slow`."""
    for item in items:
        is_strangers = item.path.name in STRANGERS
        if is_strangers and not any(share in item.name for share in ALWAYS):
            item.add_marker(pytest.mark.slow)


@pytest.fixture(scope="session", autouse=True)
def _a_bus_for_all() -> Iterator[None]:
    yield
    stop_private_bus()


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
    """Our side of it: the thread on which Bluetooth happens. It may not block, and nothing may be left over on it."""
    with blockbuster_ctx("drivers"):
        air = Air()
        yield air
        air.close()
    assert not air.faults


@pytest.fixture
def meter(sky: Ether) -> Iterator[AirborneStranger]:
    """The contract's stranger with a radio."""
    stranger = AirborneStranger(sky)
    yield stranger
    stranger.stop()
