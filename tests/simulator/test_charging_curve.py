"""How an insulation reading settles, against the formulas for a constant current and a falling absorption current."""

from __future__ import annotations

from math import exp, inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulator.charging import OUTPUT_FACTOR, TEST_CURRENT_A, output


@pytest.mark.parametrize("nominal_v", [250.0, 500.0, 1000.0])
@pytest.mark.parametrize("farad", [10e-9, 100e-9, 2e-6])
def test_charging_takes_capacitance_times_voltage_over_current(nominal_v: float, farad: float) -> None:
    full_v = nominal_v * OUTPUT_FACTOR
    charged_s = farad * full_v / TEST_CURRENT_A
    assert output(charged_s / 2, nominal_v, inf, farad, 0.0).volts == pytest.approx(full_v / 2)
    assert output(charged_s * 0.999, nominal_v, inf, farad, 0.0).volts < full_v
    assert output(charged_s * 1.001, nominal_v, inf, farad, 0.0).volts == full_v


def test_a_leak_slows_the_rise_as_an_rc_does() -> None:
    ohm, farad = 300e3, 1e-6
    seen = output(0.2, 500, ohm, farad, 0.0)
    assert seen.volts == pytest.approx(TEST_CURRENT_A * ohm * (1 - exp(-0.2 / (ohm * farad))))
    assert seen.ohm == pytest.approx(seen.volts / TEST_CURRENT_A)


def test_a_load_below_what_the_current_can_lift_pulls_the_voltage_down_and_reads_right() -> None:
    seen = output(10, 500, 180e3, 5e-9, 0.03)
    assert seen.volts == pytest.approx(180e3 * TEST_CURRENT_A)
    assert seen.ohm == pytest.approx(180e3)


def test_the_nominal_voltage_holds_at_one_milliampere() -> None:
    for nominal_v in (250.0, 500.0, 1000.0):
        assert output(1, nominal_v, nominal_v * 1000, 0.0, 0.0).volts >= nominal_v
        assert output(1, nominal_v, inf, 0.0, 0.0).volts <= 1.25 * nominal_v


def test_absorption_fades_as_one_over_time() -> None:
    def lost(seconds: float) -> float:
        return 1 / output(seconds, 500, 1e9, 10e-9, 0.03).ohm - 1e-9

    assert lost(100) == pytest.approx(0.03 * 10e-9 / 100, rel=0.01)
    assert lost(20) / lost(200) == pytest.approx(10, rel=0.01)


def test_shorted_leads_read_nothing_and_open_ones_everything() -> None:
    assert output(0, 500, 0.0, 0.0, 0.0).ohm == 0
    assert output(0, 500, inf, 0.0, 0.0).ohm == inf
    assert output(0, 500, inf, 0.0, 0.0).volts == pytest.approx(525)


@given(
    st.floats(0, 100),
    st.floats(1e3, 1e12),
    st.floats(0, 1e-5),
    st.floats(0, 1),
    st.sampled_from([250.0, 500.0, 1000.0]),
)
def test_a_reading_never_exceeds_the_truth_and_never_falls(
    seconds: float, ohm: float, farad: float, absorption: float, nominal_v: float
) -> None:
    early, late = (output(moment, nominal_v, ohm, farad, absorption) for moment in (seconds, seconds * 2 + 0.1))
    assert 0 <= early.ohm <= ohm * (1 + 1e-9)
    assert early.volts <= late.volts * (1 + 1e-9) <= nominal_v * 1.25
    assert late.volts < nominal_v * OUTPUT_FACTOR or early.ohm <= late.ohm * (1 + 1e-9) or early.volts < late.volts
