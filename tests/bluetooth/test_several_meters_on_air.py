"""Several Bluetooth meters at once pass everything that several meters on TCP pass: the same tests, by command."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import test_several_meters
from air_stranger import AirborneStranger
from ether import Ether
from test_several_meters import (  # noqa: F401 - collected here as well, with this file's meters
    test_a_meter_keyed_by_hand_keeps_its_serial_number_to_itself,
    test_a_meter_of_another_day_is_not_here,
    test_a_selection_expects_a_function_and_so_a_meter,
    test_a_selection_that_pins_a_meter_hears_no_other,
    test_one_meters_drop_out_and_lapse_leave_the_others_proof,
    test_two_lines_that_give_one_serial_number_are_told_and_not_mixed,
    test_where_two_measure_the_same_it_must_be_said_whose_reading_is_taken,
)


@pytest.fixture(autouse=True)
def _airborne(sky: Ether, shed: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Every meter that these tests make has a radio, each its own."""
    made: list[AirborneStranger] = []

    def make(serial: str = "S-77", boot: str = "aa01") -> AirborneStranger:
        made.append(AirborneStranger(sky, serial, boot, address=f"C0:FF:EE:00:00:{len(made) + 1:02X}"))
        return made[-1]

    monkeypatch.setattr(test_several_meters, "StrangerMeter", make)
    yield
    for meter in made:
        meter.stop()
