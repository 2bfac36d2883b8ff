"""A real Bluetooth meter, where there is one: what no stand-in can show. Skips unless its address is given."""

from __future__ import annotations

import pytest
from air_parts import run, until
from flight import Flight

from drivers.links.ble import BleLinks
from drivers.links.ble_air import Air
from drivers.links.ble_list import ble_meters
from drivers.links.ble_service import as_address
from logger.clock import SystemClock
from logger.happening import Ready


@pytest.fixture
def target(request: pytest.FixtureRequest) -> str:
    given = request.config.getoption("--ble", default=None)
    if not given:
        pytest.skip("no meter given: pytest tests/bluetooth --ble ADDRESS (one in reach; the adapter of this machine)")
    return str(given)


def test_it_is_found_says_who_it_is_streams_and_comes_back(target: str) -> None:
    air = Air()
    clock = SystemClock()
    found, failure = ble_meters(air=air)
    assert failure is None
    if as_address(target):
        assert as_address(target) in {meter.address for meter in found}

    async def test() -> None:
        for _ in range(2):
            links = BleLinks(target, clock, air)
            flight = Flight(links, clock, rate=10)
            await until(lambda flight=flight: flight.kinds(Ready) > 0)  # type: ignore[misc]
            await flight.reads(20)
            assert links.late_calls == 0
            await flight.end()
            held, lost = flight.account()
            assert len(held) >= 20
            assert not lost
            (ready, *_) = [h for h in flight.happenings if isinstance(h, Ready)]
            assert links.doubts(ready.identity) == ""

    run(test, limit_s=120)
    air.close()
    assert not air.faults
