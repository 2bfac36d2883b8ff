"""What leads on a site come to, against arithmetic by hand: parallel paths, cable tables, switches, loads, loops."""

from __future__ import annotations

from math import inf, pi
from pathlib import Path

import pytest
from booth_site import PERFECT, PLAN, bench_of, ohm_at, truth_at

from drivers.simulator.bench import SOUND_LEADS, Bench
from drivers.simulator.truth import RcdSetting
from logger.errors import InputWrong
from logger.quantity import Function

LEADS = SOUND_LEADS.ohm
MEGOHM = 1e6
CONTACT = 0.004  # of a device where the site says nothing
BRIDGE = 0.005

NICKED = """
    [[circuit]]
    id = "C1"
    runs = [
      { length_m = 1, insulation_mohm = { L-PE = 200, N-PE = 50 } },
      { length_m = 17, insulation_mohm = { L-PE = 5 } },
      { length_m = 10, insulation_mohm = { L-PE = 0.8 } },
    ]
"""
LOADED = '[[circuit]]\nid = "C1"\nload = { ohm = 26, plugged = true, filter_nf = 47, earth_mohm = 40 }'


def without_link(bench: Bench) -> Bench:
    bench.turn("LK1", "out")
    return bench


def test_branches_in_parallel_come_to_what_the_formula_says(tmp_path: Path) -> None:
    bench = without_link(bench_of(tmp_path, NICKED))
    assert ohm_at(bench, "C1 L/PE") == pytest.approx(MEGOHM / (1 / 200 + 1 / 5 + 1 / 0.8), rel=1e-4)
    assert ohm_at(bench, "C1 N/PE") == pytest.approx(50 * MEGOHM, rel=1e-3)
    assert ohm_at(bench, "C1 L+N/PE") == pytest.approx(0.6779661017 * MEGOHM, rel=1e-4)


def test_an_open_switch_hides_what_is_behind_it_and_nothing_else(tmp_path: Path) -> None:
    bench = without_link(bench_of(tmp_path, NICKED))
    bench.turn("S1A", "off")
    assert ohm_at(bench, "C1 L/PE") == pytest.approx(MEGOHM / (1 / 200 + 1 / 5), rel=1e-3)
    bench.turn("Q1", "off")
    assert ohm_at(bench, "C1 L/PE") == pytest.approx(200 * MEGOHM, rel=1e-3)
    bench.turn("S1A", "on")
    assert ohm_at(bench, "C1 L/PE") == pytest.approx(200 * MEGOHM, rel=1e-3)


def test_a_board_reads_every_circuit_whose_breaker_is_on(tmp_path: Path) -> None:
    other = '[[circuit]]\nid = "C2"\nruns = [{}, { insulation_mohm = { L-PE = 2 } }, {}, {}, {}]'
    bench = without_link(bench_of(tmp_path, f"{NICKED}\n{other}".replace("\n    ", "\n")))
    assert ohm_at(bench, "DB1 L+N/PE") == pytest.approx(1 / (1 / 0.6779661017e6 + 1 / 2e6), rel=1e-3)
    assert ohm_at(bench, "C1 L+N/PE") == pytest.approx(0.6779661017 * MEGOHM, rel=1e-3), "its line is off the bar"
    bench.turn("Q1", "off")
    assert ohm_at(bench, "DB1 L/PE") == pytest.approx(1 / (1 / 200e6 + 1 / 2e6), rel=1e-3)


def test_the_link_left_in_reads_as_a_dead_short_to_earth(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, NICKED)
    for where in ("DB1 L+N/PE", "C1 L+N/PE", "C2 N/PE"):
        assert ohm_at(bench, where) == pytest.approx(LEADS + CONTACT, abs=0.02)
    assert ohm_at(bench, "C1 L/PE") > 0.6 * MEGOHM


def test_r1_plus_r2_is_that_of_the_cable_table_with_a_bridge_at_the_far_end(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    assert ohm_at(bench, "C1 L/PE", Function.CONTINUITY) > 1e9
    bench.bridge("C1", ("L", "PE"))
    expected = 28 * (7.41 + 12.1) / 1000
    assert ohm_at(bench, "C1 L/PE", Function.CONTINUITY) == pytest.approx(expected + LEADS + 2 * CONTACT + BRIDGE)
    bench.bridge("C1", None)
    assert ohm_at(bench, "C1 PE", Function.CONTINUITY) == pytest.approx(28 * 12.1 / 1000 + LEADS)
    assert ohm_at(bench, "E1 PE", Function.CONTINUITY) == pytest.approx(15 * 3.08 / 1000 + LEADS)


def test_copper_follows_the_temperature(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, head=PERFECT.replace("temperature_c = 20", "temperature_c = 70"))
    assert ohm_at(bench, "C1 PE", Function.CONTINUITY) - LEADS == pytest.approx(28 * 12.1 / 1000 * 1.1965)


def test_a_bad_joint_adds_and_a_broken_conductor_parts(tmp_path: Path) -> None:
    joint = '[[circuit]]\nid = "C1"\nruns = [{}, { extra_ohm = { PE = 1.5 } }, { length_m = 10 }]'
    assert ohm_at(bench_of(tmp_path, joint), "C1 PE", Function.CONTINUITY) == pytest.approx(1.5 + 0.121 + LEADS)
    broken = joint.replace("extra_ohm = { PE = 1.5 }", 'open = "PE"')
    assert ohm_at(bench_of(tmp_path, broken), "C1 PE", Function.CONTINUITY) > 1e9
    pole = '[[device]]\nid = "S1A"\nopen = "L"'
    bench = bench_of(tmp_path, pole)
    bench.bridge("C1", ("L", "N"))
    assert ohm_at(bench, "C1 L/N", Function.CONTINUITY) > 1e9


def test_a_load_bridges_line_and_neutral_until_it_is_unplugged(tmp_path: Path) -> None:
    bench = without_link(bench_of(tmp_path, LOADED))
    loop = 28 * 2 * 7.41 / 1000 + LEADS + 2 * CONTACT
    assert ohm_at(bench, "C1 L/N") == pytest.approx(26 + loop, rel=1e-6)
    assert ohm_at(bench, "C1 N/PE") == pytest.approx(40 * MEGOHM, rel=1e-3)
    bench.plug("C1", False)
    assert ohm_at(bench, "C1 L/N") > 1e9
    assert ohm_at(bench, "C1 N/PE") > 1e9


def test_capacitance_adds_up_over_what_the_leads_reach(tmp_path: Path) -> None:
    head = PERFECT.replace("pf_per_m = 0", "pf_per_m = 100")
    bench = without_link(bench_of(tmp_path, head=head))
    lead_pf, metres = 60, 28 + 20
    assert truth_at(bench, "DB1 N/PE", Function.INSULATION).farad > 100e-12 * metres
    joined = truth_at(bench, "DB1 L+N/PE", Function.INSULATION).farad
    strappers_end = 20 / 4 * 2  # the runs with two strappers: one of them hangs free at each setting
    assert joined == pytest.approx((lead_pf + 100 * 2 * metres) * 1e-12, rel=strappers_end / metres)
    bench.turn("Q1", "off")
    assert truth_at(bench, "DB1 L/PE", Function.INSULATION).farad < joined
    filtered = without_link(bench_of(tmp_path, LOADED))
    assert truth_at(filtered, "C1 L+N/PE", Function.INSULATION).farad == pytest.approx(2 * 47e-9 + 60e-12)


def test_two_way_switches_and_the_intermediate_between_them_choose_a_strapper(tmp_path: Path) -> None:
    nick = '[[circuit]]\nid = "C2"\nruns = [{}, {}, { insulation_mohm = { S2-PE = 0.3 } }, {}, {}]'
    bench = without_link(bench_of(tmp_path, nick))
    bench.bridge("C2", ("L", "PE"))

    def lamp_on() -> bool:
        return ohm_at(bench, "C2 L/PE", Function.CONTINUITY) < 2

    bench.turn("T1", "1")
    assert ohm_at(bench, "C2 N/PE") > 1e9
    for first in "12":
        for middle in ("straight", "crossed"):
            for last in "12":
                for device, position in (("T1", first), ("X1", middle), ("T2", last)):
                    bench.turn(device, position)
                assert lamp_on() is ((first == last) is (middle == "straight"))
    bench.bridge("C2", None)
    for device, position in (("T1", "1"), ("X1", "straight"), ("T2", "1")):
        bench.turn(device, position)
    assert ohm_at(bench, "C2 L/PE") > 1e9, "the nicked strapper is not reached"
    bench.turn("T1", "2")
    assert ohm_at(bench, "C2 L/PE") == pytest.approx(0.3 * MEGOHM, rel=1e-3)


def test_a_borrowed_neutral_joins_two_circuits_behind_their_breakers(tmp_path: Path) -> None:
    borrowed = '[[extra]]\nfrom = "C1/N/2"\nto = "C2/N/4"\nohm = 0.1'
    sound, odd = bench_of(tmp_path), bench_of(tmp_path, borrowed)
    for bench in (sound, odd):
        bench.bridge("C2", ("L", "N"))
    assert ohm_at(odd, "C2 L/N", Function.CONTINUITY) < ohm_at(sound, "C2 L/N", Function.CONTINUITY)
    odd.mend("C1")
    assert ohm_at(odd, "C2 L/N", Function.CONTINUITY) == ohm_at(sound, "C2 L/N", Function.CONTINUITY)


def test_leads_that_leak_and_leads_that_are_broken(tmp_path: Path) -> None:
    leaking = bench_of(tmp_path, "[leads]\nleak_mohm = 12\nohm = 0.3")
    assert ohm_at(leaking, "open") == pytest.approx(12 * MEGOHM)
    assert ohm_at(leaking, "short") == pytest.approx(0.3)
    broken = bench_of(tmp_path, '[leads]\nbroken = true\nmark = "Q"')
    assert ohm_at(broken, "short") == inf
    broken.change_leads()
    assert broken.leads.mark == "R"
    assert ohm_at(broken, "short") == pytest.approx(LEADS)


def test_an_outside_voltage_makes_a_dead_test_no_measurement(tmp_path: Path) -> None:
    bench = without_link(bench_of(tmp_path, "[supply]\non = true"))
    for where in ("C1 L+N/PE", "C1 L/N", "DB1 L/PE"):
        for function in (Function.INSULATION, Function.CONTINUITY):
            assert truth_at(bench, where, function).live, (where, function)
    assert not truth_at(bench, "open", Function.INSULATION).live
    assert not truth_at(bench, "C1 PE", Function.CONTINUITY).live
    for device, position in (("Q0", "off"), ("supply", "off")):
        bench.turn(device, position)
        assert not truth_at(bench, "C1 L+N/PE", Function.INSULATION).live, device
        bench.turn(device, "on")
        assert truth_at(bench, "C1 L+N/PE", Function.INSULATION).live, device


def test_a_voltage_that_only_leaks_across_is_none(tmp_path: Path) -> None:
    head = PERFECT.replace("insulation_mohm_km = 1000000", "insulation_mohm_km = 2")
    bench = bench_of(tmp_path, "[supply]\non = true", head=head)
    bench.turn("Q1", "off")
    assert truth_at(bench, "C1 L/N", Function.VOLTAGE_AC).base < 5


SUPPLIED = "[supply]\non = true\nloop_ohm = 0.24\nearth_ohm = 0.35\nsource_earth_ohm = 2"


@pytest.mark.parametrize(
    ("system", "outside_ohm"), [("TN-C-S", 0.24 + CONTACT), ("TN-S", 0.12 + 0.35), ("TT", 0.12 + 2 + 100 + 0.0462)]
)
def test_the_earth_loop_is_outside_plus_r1_plus_r2(tmp_path: Path, system: str, outside_ohm: float) -> None:
    plan = PLAN.replace("TN-C-S", system)
    if system != "TN-C-S":
        plan = plan.replace('neutral_earth_link = "LK1"', "")
    supply = SUPPLIED if system == "TN-S" else SUPPLIED.replace("earth_ohm = 0.35\n", "", 1)
    bench = bench_of(tmp_path, f'{supply}\n[[earth]]\nid = "E1"\nelectrode_ohm = 100', plan)
    r1_r2 = 28 * (7.41 + 12.1) / 1000
    switches = (4 if system == "TN-C-S" else 3) * CONTACT  # main switch (both ways where earth returns so), two more
    loop = truth_at(bench, "C1", Function.EARTH_LOOP).base
    assert loop == pytest.approx(outside_ohm + r1_r2 + switches, rel=0.005)
    assert truth_at(bench, "C1", Function.LINE_LOOP).base == pytest.approx(
        0.24 + 2 * 28 * 7.41 / 1000 + 4 * CONTACT, rel=1e-3
    )


def test_a_loop_without_supply_or_behind_an_open_switch_is_none(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, SUPPLIED.replace("earth_ohm = 0.35\n", "", 1))
    bench.turn("S1A", "off")
    assert truth_at(bench, "C1", Function.EARTH_LOOP).base == inf
    bench.turn("S1A", "on")
    assert truth_at(bench, "C1", Function.EARTH_LOOP).base < 2
    bench.turn("supply", "off")
    assert truth_at(bench, "C1", Function.EARTH_LOOP).base == inf
    assert truth_at(bench, "C1 L/N", Function.VOLTAGE_AC).base == 0


def test_the_link_forgotten_out_leaves_only_the_rod_for_a_fault(tmp_path: Path) -> None:
    supply = SUPPLIED.replace("earth_ohm = 0.35\n", "", 1)
    bench = without_link(bench_of(tmp_path, f'{supply}\n[[earth]]\nid = "E1"\nelectrode_ohm = 34'))
    assert truth_at(bench, "C1", Function.EARTH_LOOP).base == pytest.approx(34 + 2 + 0.9, rel=0.05)
    assert truth_at(bench, "E1", Function.EARTH_ELECTRODE).base == 34


def test_voltage_and_polarity_with_the_supply_on(tmp_path: Path) -> None:
    supply = SUPPLIED.replace("earth_ohm = 0.35\n", "", 1)
    bench = bench_of(tmp_path, supply)
    assert truth_at(bench, "C1", Function.VOLTAGE_AC).base == pytest.approx(230, rel=1e-3)
    assert truth_at(bench, "C1 N/PE", Function.VOLTAGE_AC).base == pytest.approx(0, abs=0.1)
    assert truth_at(bench, "C1", Function.POLARITY).base == 1
    swapped = bench_of(tmp_path, f'{supply}\n[[circuit]]\nid = "C1"\nswapped = "L-N"')
    assert truth_at(swapped, "C1", Function.POLARITY).base == 2
    swapped.turn("Q1", "off")
    assert truth_at(swapped, "C1", Function.POLARITY).base == 0


def test_a_residual_current_device_trips_sooner_with_more_current_and_not_at_half(tmp_path: Path) -> None:
    supply = SUPPLIED.replace("earth_ohm = 0.35\n", "", 1)
    truth = f'{supply}\n[[circuit]]\nid = "C1"\nrcd = {{ trip_ma = 21, trip_ms = 24 }}'
    bench = bench_of(tmp_path, truth)

    def trips_s(multiple: float, phase: int = 0) -> float:
        return truth_at(bench, "C1", Function.RCD_TIME, RcdSetting(30, multiple, phase)).base

    assert trips_s(0.5) == inf
    assert trips_s(1) == pytest.approx(0.024)
    assert trips_s(5) < trips_s(2) < trips_s(1) < trips_s(1, 180) < 0.3
    assert trips_s(5) <= 0.04
    assert truth_at(bench, "C1", Function.RCD_CURRENT).base == pytest.approx(0.021)
    assert truth_at(bench, "C2", Function.RCD_TIME).base == inf, "it has none"
    bench.turn("supply", "off")
    assert trips_s(1) == inf


THREE_PHASE = """
    [job]
    title = "Pug mills"
    kind = "installation"
    rules = "iec"
    [supply]
    system = "TN-S"
    voltage = 230
    phases = 3
    [[board]]
    id = "DB0"
    main_switch = "Q0"
    [[board]]
    id = "DB1"
    feed = "DB0"
    main_switch = "Q10"
    cable = { line_mm2 = 10, earth_mm2 = 10, length_m = 30 }
    [[circuit]]
    id = "C1"
    board = "DB1"
    phase = "L2"
    cable = { line_mm2 = 2.5, earth_mm2 = 2.5, length_m = 10 }
    path = [{ id = "Q1", kind = "breaker" }]
    [[circuit]]
    id = "C2"
    board = "DB1"
    phase = "L1L2L3"
    cable = { line_mm2 = 4, earth_mm2 = 4, length_m = 12 }
    path = [{ id = "Q2", kind = "breaker", poles = 3 }]
"""


def test_three_phases_on_a_board_fed_from_another(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, "[supply]\non = true\nloop_ohm = 0.2\nearth_ohm = 0.3", THREE_PHASE)
    assert truth_at(bench, "C2 L1/N", Function.VOLTAGE_AC).base == pytest.approx(230, rel=1e-3)
    assert truth_at(bench, "C2 L1/L3", Function.VOLTAGE_AC).base == pytest.approx(230 * 3**0.5, rel=1e-3)
    assert truth_at(bench, "C1 L2/PE", Function.VOLTAGE_AC).base == pytest.approx(230, rel=1e-3)
    loop = 0.1 + 0.3 + 2 * 30 * 1.83 / 1000 + 2 * 10 * 7.41 / 1000 + 3 * CONTACT
    assert truth_at(bench, "C1", Function.EARTH_LOOP).base == pytest.approx(loop, rel=1e-3)
    assert ohm_at(bench, "DB1 PE", Function.CONTINUITY) == pytest.approx(30 * 1.83 / 1000 + LEADS)
    bench.turn("supply", "off")
    bench.bridge("C2", ("L1", "L3"))
    assert ohm_at(bench, "C2 L1/L3", Function.CONTINUITY) == pytest.approx(
        2 * 12 * 4.61 / 1000 + 2 * CONTACT + BRIDGE + LEADS
    )


APPLIANCES = """
    [job]
    title = "Tools"
    kind = "appliances"
    rules = "tools.rules.toml"
    [[appliance]]
    id = "T1"
    class = "I"
    cord = { length_m = 3, mm2 = 1.5 }
    [[appliance]]
    id = "T2"
    class = "II"
    cord = { length_m = 2, mm2 = 0.75 }
    [[appliance]]
    id = "X1"
    class = "cord-set"
    cord = { length_m = 25, mm2 = 1.5 }
"""
APPLIANCE_TRUTH = """
    [[appliance]]
    id = "T1"
    element_ohm = 30
    filter_nf = 10
    bond_ohm = 0.05
    insulation_mohm = { N-PE = 2 }
    [[appliance]]
    id = "T2"
    element_ohm = 130
    filter_nf = 0.2
    insulation_mohm = { L-body = 0.9 }
    [[appliance]]
    id = "X1"
    extra_ohm = { PE = 2.6 }
"""


def test_appliances_their_earth_insulation_and_leakage(tmp_path: Path) -> None:
    rules = Path(__file__).parents[2] / "drivers" / "simulator" / "sites" / "tool-store.rules.toml"
    (tmp_path / "tools.rules.toml").write_text(rules.read_text())
    bench = bench_of(tmp_path, APPLIANCE_TRUTH, APPLIANCES)
    assert ohm_at(bench, "T1", Function.CONTINUITY) == pytest.approx(3 * 13.3 / 1000 + 0.05 + LEADS)
    assert ohm_at(bench, "X1", Function.CONTINUITY) == pytest.approx(25 * 13.3 / 1000 + 2.6 + LEADS)
    assert ohm_at(bench, "T1") == pytest.approx(2 * MEGOHM, rel=1e-3)
    assert ohm_at(bench, "T2") == pytest.approx(0.9 * MEGOHM, rel=1e-3)
    with pytest.raises(InputWrong, match="T2 has no PE"):
        truth_at(bench, "T2 PE", Function.CONTINUITY)
    leak = 230 * 2 * pi * 50 * 10e-9
    assert truth_at(bench, "T1", Function.PROTECTIVE_CURRENT).base == pytest.approx(leak, rel=1e-3)
    assert truth_at(bench, "T1", Function.TOUCH_CURRENT).base < leak / 1000
    both = 230 * abs(complex(1 / 2e6, 2 * 2 * pi * 50 * 10e-9))
    assert truth_at(bench, "T1", Function.SUBSTITUTE_CURRENT).base == pytest.approx(both, rel=1e-3)
    assert truth_at(bench, "T2", Function.PROTECTIVE_CURRENT).base == 0
    body = 230 * abs(complex(1 / 0.9e6, 2 * pi * 50 * 0.2e-9))
    assert truth_at(bench, "T2", Function.TOUCH_CURRENT).base == pytest.approx(body, rel=1e-3)
    bench.mend("X1")
    assert ohm_at(bench, "X1", Function.CONTINUITY) == pytest.approx(25 * 13.3 / 1000 + LEADS)


def test_a_lost_earth_lets_the_whole_leakage_flow_through_whoever_touches(tmp_path: Path) -> None:
    rules = Path(__file__).parents[2] / "drivers" / "simulator" / "sites" / "tool-store.rules.toml"
    (tmp_path / "tools.rules.toml").write_text(rules.read_text())
    truth = '[[appliance]]\nid = "T1"\nfilter_nf = 10\nopen = "PE"'
    bench = bench_of(tmp_path, truth, APPLIANCES)
    assert truth_at(bench, "T1", Function.TOUCH_CURRENT).base == pytest.approx(230 * 2 * pi * 50 * 10e-9, rel=1e-3)


@pytest.mark.parametrize(
    ("where", "says"),
    [
        ("C9", "no item C9"),
        ("C1 L/X", "no conductor X"),
        ("C1 L+N/N", "one conductor on both leads"),
        ("C1 /", "no conductor"),
        ("E1 L/PE", "no conductor L"),
        ("DB1 L1/PE", "no conductor L1"),
        ("C1 S1/PE", "no conductor S1"),
    ],
)
def test_leads_where_they_cannot_be(tmp_path: Path, where: str, says: str) -> None:
    bench = bench_of(tmp_path)
    with pytest.raises(InputWrong, match=says):
        truth_at(bench, where, Function.INSULATION)
    assert ohm_at(bench, "open") == inf


def test_a_function_that_means_nothing_where_the_leads_are_shows_nothing(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    truth_at(bench, "E1", Function.CONTINUITY)
    for function in (Function.EARTH_LOOP, Function.RCD_TIME):
        assert bench.truth(function, RcdSetting()).base == inf, function
    assert bench.truth(Function.PROTECTIVE_CURRENT, RcdSetting()).base == 0
    truth_at(bench, "open", Function.CONTINUITY)
    assert bench.truth(Function.EARTH_LOOP, RcdSetting()).base == inf
    assert bench.truth(Function.VOLTAGE_AC, RcdSetting()).base == 0
