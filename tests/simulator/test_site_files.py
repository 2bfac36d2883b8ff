"""Sites as files: the built-in ones, their plans, and every fault of a wrong one in one go."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from booth_site import PERFECT, PLAN, ohm_at, site_of

from drivers.simulator.bench import Bench
from drivers.simulator.catalogue import load_site, site_names
from logger.errors import InputWrong, PlanWrong, SiteWrong
from logger.job.plan import load_plan
from logger.quantity import Function

WRONG = """
    [site]
    name = "Wrong"
    plan = "booth.plan.toml"
    temperature_c = "warm"
    pf_per_meter = 3
    [supply]
    on = "yes"
    earth_ohm = 1
    [meter]
    serial = "%s"
    battery_percent = 140
    [leads]
    ohm = -1
    [[circuit]]
    id = "C1"
    runs = [{ length_m = 1 }]
    cable = { line_mm2 = 3 }
    swapped = "L-L"
    load = { plugged = true }
    [[circuit]]
    id = "C7"
    [[circuit]]
    id = "C2"
    rcd = { trip_ma = 20 }
    runs = [{ insulation_mohm = { L-X = 1 } }, { open = "Q" }, { insulation_mohm = { L-PE = 1 } }, {}, {}]
    [[device]]
    id = "S1A"
    start = "up"
    [[extra]]
    from = "C1/N/9"
    to = "E1/PE/0"
    [[line]]
    kind = "thunder"
    [[line]]
    kind = "silence"
    frames = 3
    [[line]]
    kind = "bit-flip"
    frames = 1.5
    [[lamp]]
    id = "X"
""" % ("9" * 230)


def test_a_wrong_site_tells_every_fault_in_one_go(tmp_path: Path) -> None:
    with pytest.raises(SiteWrong) as caught:
        site_of(tmp_path, head=WRONG)
    told = str(caught.value)
    for place in (
        "temperature_c must be a number",
        'unknown key "pf_per_meter"; did you mean "pf_per_m"?',
        "on must be true or false",
        "earth_ohm needs a supply",
        "battery_percent is 140",
        "does not fit on the line",
        "[leads]: ohm is -1",
        "1 runs for 2 devices, there must be 3",
        "3 mm² is no size",
        'swapped is "L-L"',
        "ohm is missing",
        'the plan has no circuit "C7"',
        "the plan has no RCD here",
        'unknown key "L-X"',
        'open names "Q"',
        'unknown key "L-PE"',
        'start is "up"',
        'from is "C1/N/9", which is no segment',
        'kind is "thunder"',
        "silence is not counted in frames",
        "bit-flip cannot strike 1.5 frames",
        'unknown table "lamp"',
    ):
        assert place in told, place
    assert len(caught.value.faults) == 22
    assert caught.value.exit_code == 2


def test_a_fault_is_told_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(SiteWrong, match=r"booth\.toml, line 9: \[leads\]: ohm is -1"):
        site_of(tmp_path, "[leads]\nohm = -1")


@pytest.mark.parametrize(
    ("head", "says"),
    [
        ('[site]\nname = "x"', "plan is missing"),
        ("", "table \\[site\\] is missing"),
        ("site = 3", "site must be a table"),
        ("[site", "not TOML"),
        (PERFECT + "\n    [circuit]\n    id = 'C1'", "circuit must be a list of tables"),
    ],
)
def test_a_site_that_is_hardly_one(tmp_path: Path, head: str, says: str) -> None:
    with pytest.raises(SiteWrong, match=says):
        site_of(tmp_path, head=head)


def test_a_wrong_plan_is_told_as_such(tmp_path: Path) -> None:
    with pytest.raises(PlanWrong, match="board"):
        site_of(tmp_path, plan=PLAN.replace('board = "DB1"', 'board = "DB9"'))
    with pytest.raises(SiteWrong, match=r"takes? for a place of their own"):
        site_of(tmp_path, plan=PLAN.replace('"C1"', '"open"'))
    with pytest.raises(SiteWrong, match="rings are not simulated"):
        site_of(tmp_path, plan=PLAN.replace("cable = { line_mm2 = 1.5", "ring = true\n    cable = { line_mm2 = 1.5"))


def test_what_is_no_file_is_told_so(tmp_path: Path) -> None:
    with pytest.raises(InputWrong, match=r"no site nowhere.*pottery-studio"):
        load_site("nowhere")
    with pytest.raises(InputWrong, match="cannot be read"):
        load_site(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b"[site]\nname = '\xe9'")
    with pytest.raises(InputWrong, match="not UTF-8"):
        load_site(tmp_path / "latin.toml")
    (tmp_path / "huge.toml").write_bytes(b"#" * (1024 * 1024 + 1))
    with pytest.raises(InputWrong, match="larger than"):
        load_site(tmp_path / "huge.toml")


def test_what_a_site_does_not_say_is_sound_and_as_planned(tmp_path: Path) -> None:
    site = site_of(tmp_path)
    assert set(site.circuits) == {"C1", "C2"}
    assert [run.length_m for run in site.circuits["C1"].runs] == [0, 14, 14]
    assert {device: truth.start for device, truth in site.devices.items()} == {
        "Q0": "on", "LK1": "in", "Q1": "on", "S1A": "on", "Q2": "on", "T1": "1", "X1": "straight", "T2": "1",
    }  # fmt: skip
    assert site.circuits["C1"].rcd is not None
    assert site.circuits["C1"].rcd.trip_ma == pytest.approx(21)


@pytest.mark.parametrize("name", site_names())
def test_a_built_in_site_goes_with_its_plan(name: str) -> None:
    site = load_site(name)
    assert site.plan == load_plan(site.plan_path)
    assert set(site.circuits) == {circuit.id for circuit in site.plan.circuits}
    assert set(site.appliances) == {appliance.id for appliance in site.plan.appliances}
    for circuit in site.plan.circuits:
        real_m = sum(run.length_m for run in site.circuits[circuit.id].runs)
        assert real_m == pytest.approx(float(circuit.cable.length_m or 0), rel=0.05)


def test_the_built_in_sites_are_these() -> None:
    assert site_names() == ("pottery-studio", "tool-store")


@pytest.mark.parametrize("name", site_names())
def test_a_logbook_starts_from_the_plan_of_a_built_in_site(name: str, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tui", "new", str(load_site(name).plan_path), str(tmp_path / "job.logbook")]
    environment = {"HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path), "PATH": ""}
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=60, env=environment, cwd=Path(__file__).parents[2], check=False
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "job.logbook").exists()


def test_the_pottery_studio_has_one_nick_and_its_link_in() -> None:
    bench = Bench(load_site("pottery-studio"))
    for item in ("C1", "C2", "C3"):
        assert ohm_at(bench, f"{item} L+N/PE") < 0.5, "the link is in"
    bench.turn("LK1", "out")
    assert ohm_at(bench, "C2 L+N/PE") == pytest.approx(180e3, rel=0.01)
    assert ohm_at(bench, "C1 L+N/PE") > 100e6
    assert ohm_at(bench, "C3 L+N/PE") > 100e6
    bench.turn("Q2", "off")
    assert ohm_at(bench, "C2 L+N/PE") > 100e6, "behind an open breaker nobody sees it"
    bench.turn("Q2", "on")
    bench.mend("C2")
    assert ohm_at(bench, "C2 L+N/PE") > 100e6
    for item in ("C1", "C2", "C3", "E1"):
        assert ohm_at(bench, f"{item} PE", Function.CONTINUITY) < 0.18 + 0.5


def test_the_tool_store_has_a_bad_lead_and_a_dusty_sander() -> None:
    bench = Bench(load_site("tool-store"))
    assert ohm_at(bench, "X-003 PE", Function.CONTINUITY) > 2.5
    assert ohm_at(bench, "T-021") == pytest.approx(0.9e6, rel=0.01)
    assert ohm_at(bench, "T-014") > 100e6
