"""The contract's stranger over Bluetooth passes everything that the stranger on TCP passes: the same tests, by command.

The recorder is the installed command in a process of its own; bleak in it is unmodified.
"""

from __future__ import annotations

import pytest
from air_stranger import AirborneStranger
from test_strangers_meter import (  # noqa: F401 - collected here as well, with this file's meter and url
    test_a_drop_out_is_bridged_from_the_meters_memory,
    test_a_silent_line_is_noticed,
    test_damage_gaps_and_repeats,
    test_hostile_names_show_harmlessly,
    test_the_whole_job,
    test_what_does_not_fit_is_turned_away,
    test_what_ends_a_proof,
    test_what_was_confirmed_survives_a_kill,
)


@pytest.fixture
def url(meter: AirborneStranger) -> str:
    return meter.on_ble()
