"""Plans: every field read, refused whole with every fault at its line, and the same again from a logbook's JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import InputWrong, PlanWrong
from logger.job.model import (
    ApplianceClass,
    Cable,
    Decision,
    Device,
    DeviceKind,
    EarthingSystem,
    EarthKind,
    JobKind,
    Load,
    Protection,
    Rcd,
)
from logger.job.plan import load_plan, plan_body, plan_from_body
from logger.quantity import Test

PLANS = Path(__file__).parents[2] / "fixtures" / "plans"

SMALL = """
[job]
title = "Kiln shed"
kind = "installation"
rules = "iec"
[supply]
system = "TT"
voltage = 230
[[board]]
id = "DB1"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults_of(folder: Path, text: str) -> str:
    with pytest.raises(PlanWrong) as refused:
        load_plan(write(folder, text))
    return str(refused.value)


def test_every_field_is_read() -> None:
    plan = load_plan(PLANS / "pottery.toml")
    assert (plan.title, plan.kind, plan.rules) == ("Pottery studio, first verification", JobKind.INSTALLATION, "iec")
    assert (plan.decision, plan.operator) == (Decision.SIMPLE, "A. Tester")
    assert plan.supply is not None
    assert (plan.supply.system, plan.supply.voltage, plan.supply.ze_ohm) == (
        EarthingSystem.TN_C_S,
        Decimal(230),
        Decimal("0.35"),
    )
    main, shed = plan.boards
    assert (main.main_switch, main.neutral_earth_link, main.feed) == ("Q0", "LK1", None)
    assert (shed.feed, shed.cable.length_m) == ("DB1", Decimal(18))
    wheels, kiln, lights, bell = plan.circuits
    assert wheels.ring
    assert wheels.protection == Protection("B", Decimal(32), Decimal(6))
    assert wheels.rcd == Rcd("A", Decimal(30))
    assert kiln.load == Load("heating", Decimal(8400))
    assert kiln.path[1:] == (Device("K21", DeviceKind.CONTACTOR, 2), Device("Q22", DeviceKind.ISOLATOR, 2))
    assert lights.required == (
        Test.EARTH_CONTINUITY,
        Test.INSULATION,
        Test.POLARITY,
        Test.EARTH_LOOP,
        Test.RCD_TIME,
    )
    assert kiln.required is None
    assert (bell.nominal_v, bell.load) == (Decimal(12), Load("electronics", Decimal(20), surge_protected=True))
    assert plan.earths[0].kind is EarthKind.MAIN_EARTH
    grinder = plan.appliances[0]
    assert (grinder.appliance_class, grinder.environment) == (ApplianceClass.I, "workshop")
    assert grinder.cord == Cable(Decimal("2.0"), earth_mm2=Decimal("1.0"))


@pytest.mark.parametrize("name", ["pottery.toml", "from_lists.toml"])
def test_a_logbook_gives_the_plan_back(name: str) -> None:
    plan = load_plan(PLANS / name)
    body = json.loads(json.dumps(plan_body(plan)))
    assert plan_from_body(body) == plan
    assert "2.0" in json.dumps(body), "decimals keep the digits that were written"


def test_circuits_and_appliances_from_spreadsheets() -> None:
    plan = load_plan(PLANS / "from_lists.toml")
    wheels, booth = plan.circuits
    assert (wheels.name, wheels.cable) == (
        "Wheels; pug mill",
        Cable(Decimal("24.5"), Decimal("2.5"), None, Decimal("1.5")),
    )
    assert (wheels.ring, wheels.rcd, wheels.path) == (
        True,
        Rcd("A", Decimal(30)),
        (Device("Q1", DeviceKind.RCD, 2),),
    )
    assert (booth.rcd, booth.required) == (None, (Test.INSULATION, Test.POLARITY))
    assert booth.path == (Device("Q2", DeviceKind.BREAKER), Device("K2", DeviceKind.CONTACTOR, 2))
    grinder, kiln = plan.appliances
    assert (grinder.name, grinder.electronics) == ("Bench grinder, blue", False)
    assert (kiln.heating_w, kiln.electronics) == (Decimal(2200), True)


def test_every_fault_in_one_go() -> None:
    with pytest.raises(PlanWrong) as refused:
        load_plan(PLANS / "many_faults.toml")
    expected = [
        "many_faults.toml, line 3: [job]: title is missing",
        'many_faults.toml, line 4: [job]: kind is "instalation"; did you mean "installation"?',
        'many_faults.toml, line 5: [job]: There is no rule pack "icc"',
        'many_faults.toml, line 6: [job]: decision is "guard"; did you mean "guarded"?',
        'many_faults.toml, line 7: [job]: unknown key "flavour"; known: title',
        'many_faults.toml, line 10: [supply]: system is "TNC"; did you mean "TN-C-S"?',
        'many_faults.toml, line 11: [supply]: voltage must be a number, not the text "230"',
        'many_faults.toml, line 16: board "DB1": boards feed each other in a circle: "DB1" ← "DB2" ← "DB1"',
        'many_faults.toml, line 24: circuit "C1": board is "DB9", and no board has that id',
        'many_faults.toml, line 25: circuit "C1", cable: length_m is -4, it must be more than 0',
        'many_faults.toml, line 25: circuit "C1", cable: line_mm2 is 0',
        'many_faults.toml, line 25: circuit "C1", cable: unknown key "lenght"; did you mean "length_m"?',
        'many_faults.toml, line 26: circuit "C1", path 2: kind is "braker"; did you mean "breaker"?',
        'many_faults.toml, line 26: circuit "C1": the id "Q0" is already taken by the main switch of board "DB1"',
        'many_faults.toml, line 30: circuit "C1": required names "insulaton"; did you mean "insulation"?',
        'many_faults.toml, line 33: circuit "C1": the id "C1" is already taken by a circuit',
        'many_faults.toml, line 35: circuit "C1": ring must be true or false, not the text "yes"',
        'many_faults.toml, line 36: circuit "C1", load: kind is "kettle"',
        "many_faults.toml, line 38: [[earth]]: id is missing",
        'many_faults.toml, line 39: [[earth]]: kind is "main"; did you mean "main-earth"?',
    ]
    assert len(refused.value.faults) == len(expected)
    for fault, beginning in zip(refused.value.faults, expected, strict=True):
        assert fault.startswith(beginning)
    assert refused.value.exit_code == 2


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "the table [job] is missing"),
        ("[job\n", "plan.toml, line 1: not TOML from here on"),
        ("a = " + "[" * 20_000, "too deep in each other"),
        (f"a = {'9' * 5000}", "not TOML"),
        (SMALL + '[[circuits]]\nid = "C1"', 'plan.toml, line 11: unknown table "circuits"; did you mean "circuit"?'),
        (SMALL + '[circuit]\nid = "C1"', "circuit must be a list of tables: write [[circuit]] over each"),
        (SMALL + "supplies = 3", 'unknown key "supplies"'),
        (SMALL.replace('[[board]]\nid = "DB1"', ""), "an installation needs at least one [[board]]"),
        (SMALL.replace('[supply]\nsystem = "TT"\nvoltage = 230', ""), "an installation needs a [supply]"),
        (SMALL.replace('"installation"', '"appliances"'), "a job on appliances needs at least one [[appliance]]"),
        (
            SMALL.replace('"iec"', '"uk-appliances"'),
            'the rule pack "uk-appliances" is for appliances, and kind is installation',
        ),
        (SMALL.replace('"iec"', '"own/missing.toml"'), "There is no rule pack"),
        (SMALL + "cable = { length_m = inf }", "length_m is Infinity, it must be more than 0"),
        (SMALL + "cable = { length_m = nan }", "length_m is NaN"),
        (SMALL + "cable = { length_m = 1e-3000 }", "more than 6 places"),
        (SMALL + "cable = { length_m = true }", "length_m must be a number, not true"),
        (SMALL + "cable = { length_m = 2027-03-01 }", "length_m must be a number, not a date or time"),
        (SMALL + "cable = 9", "cable must be a table, such as cable = { … }, not the number 9"),
        (SMALL + "required = 'insulation'", "required must be a list"),
        (SMALL + "required = ['insulation', 'insulation']", 'required names "insulation" twice'),
        (SMALL + "main_switch = 4", "main_switch must be text in quotes, not the number 4"),
        (SMALL + "feed = 'DB1'", 'boards feed each other in a circle: "DB1" ← "DB1"'),
        (SMALL + "[[circuit]]\nid = 'C1'\nboard = 'DB1'\nphase = 'L2'", 'phase is "L2" on a single-phase supply'),
        (
            SMALL.replace("voltage = 230", "voltage = 230\nphases = 3") + "[[circuit]]\nid = 'C1'\nboard = 'DB1'",
            "the supply has three phases: say phase",
        ),
        (SMALL.replace("voltage = 230", "voltage = 230\nphases = 2"), "phases is 2, it must be 1 or 3"),
        (SMALL.replace("voltage = 230", "voltage = 230\nphases = 1.5"), "phases is 1.5, it must be a whole number"),
        (SMALL + "[[circuit]]\nid='C'\nboard='DB1'\npath=[{id='K',kind='link'}]", 'kind is "link"'),
        (SMALL + "[[circuit]]\nid='C'\nboard='DB1'\npath=[{id='K',kind='joint',poles=5}]", "poles is 5"),
        (SMALL + "[[circuit]]\nid='C'\nboard='DB1'\nprotection={type='B'}", "rating_a is missing"),
        (
            SMALL + "[[circuit]]\nid='C'\nboard='DB1'\nprotection={type='Q', rating_a=10}",
            'plan.toml, line 14: circuit "C": type is "Q", and no breaker has that curve: it is one of B, C, D',
        ),
        (SMALL + "[[circuit]]\nid='C'\nboard='DB1'\nprotection={type='b', rating_a=10}", 'write "B"'),
        (
            SMALL + "[[circuit]]\nid='C'\nboard='DB1'\nrequired=['rcd-time']",
            'required has rcd-time, and the circuit has no RCD: say rcd = { type = "A", rating_ma = 30 }',
        ),
    ],
)
def test_single_faults(tmp_path: Path, text: str, part: str) -> None:
    assert part in faults_of(tmp_path, text)


@pytest.mark.parametrize("kind", ["B", "C", "D", "K", "Z", "gG", "BS 88-2"])
def test_curves_and_fuse_systems_that_there_are(tmp_path: Path, kind: str) -> None:
    text = SMALL + f"[[circuit]]\nid='C'\nboard='DB1'\nprotection={{type='{kind}', rating_a=10}}"
    assert load_plan(write(tmp_path, text)).circuits[0].protection == Protection(kind, Decimal(10))


def test_an_rcd_along_the_path_is_one(tmp_path: Path) -> None:
    text = "[[circuit]]\nid='C'\nboard='DB1'\nrequired=['rcd-time']\npath=[{id='R1',kind='rcd',poles=2}]"
    assert load_plan(write(tmp_path, SMALL + text)).circuits[0].has_rcd


def test_a_logbook_keeps_the_plan_that_it_was_begun_with() -> None:
    """What new plans are refused for does not lock anybody out of an older logbook."""
    plan = load_plan(PLANS / "pottery.toml")
    older = replace(
        plan.circuits[0], protection=Protection("Q", Decimal(10)), rcd=None, path=(), required=(Test.RCD_TIME,)
    )
    kept = replace(plan, circuits=(older, *plan.circuits[1:]))
    assert plan_from_body(json.loads(json.dumps(plan_body(kept)))) == kept


@pytest.mark.parametrize(
    ("name", "part"),
    [("missing.toml", "There is no file"), (".", "cannot be read"), ("bytes.toml", "is not UTF-8 text (line 2)")],
)
def test_files_that_are_no_text(tmp_path: Path, name: str, part: str) -> None:
    (tmp_path / "bytes.toml").write_bytes(b"[job]\ntitle = \xff\n")
    with pytest.raises(InputWrong, match=part.replace("(", r"\(").replace(")", r"\)")):
        load_plan(tmp_path / name)


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    name = "[/]\\u001b[31m\\u202e[@click=app.bell]" + "x" * 240
    plan = load_plan(write(tmp_path, SMALL + f'name = "{name}"'))
    assert plan.boards[0].name.startswith("[/]\x1b[31m\u202e[@click")
    told = faults_of(tmp_path, SMALL + f'[[circuit]]\nid = "{name}"\nboard = "{name}"')
    assert "\x1b" not in told
    assert "\u202e" not in told


def test_a_users_own_pack_lies_beside_the_plan(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(
        (PLANS.parent / "rules" / "own.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    assert load_plan(write(tmp_path, SMALL.replace('"iec"', '"own.toml"'))).rules == str(tmp_path / "own.toml")
    (tmp_path / "own.toml").write_text("[pack]\nid = 'x'", encoding="utf-8")
    assert "own.toml, line 1: [pack]: edition is missing" in faults_of(tmp_path, SMALL.replace('"iec"', '"own.toml"'))


def csv_plan(folder: Path, cells: bytes) -> Path:
    (folder / "circuits.csv").write_bytes(cells)
    return write(folder, SMALL.replace('rules = "iec"', 'rules = "iec"\ncircuits_csv = "circuits.csv"'))


@pytest.mark.parametrize(
    ("cells", "part"),
    [
        (b"", "the file has no header line"),
        (b"id,board,colour\nC1,DB1,red", 'circuits.csv, line 1: unknown column "colour"'),
        (b"id,id,board\nC1,C2,DB1", 'the column "id" stands twice'),
        (b"id,board\nC1,DB1,Kiln", 'line 2: more cells than columns: "Kiln" has no column'),
        (b"id,,board\nC1,x,DB1", 'line 2: "x" stands in a column without a name'),
        (b"id,board\nC1,DB7", 'circuits.csv, line 2: circuit "C1": board is "DB7"'),
        (b"id,board\n,DB1", "circuits.csv, line 2: circuit: id is missing"),
        (
            b'id,board,cable.length_m\nC1,DB1,"24,5"',
            'length_m is "24,5", which is no number; write it with a decimal point',
        ),
        (b"id;board;cable.length_m\nC1;DB1;1.024,5", 'length_m is "1.024,5", which is no number'),
        (b"id,board,cable.length_m\nC1,DB1,1e9", 'length_m is "1e9", which is no number'),
        (b"id,board,ring\nC1,DB1,perhaps", 'ring must be yes or no, not the text "perhaps"'),
        (b"id,board,path\nC1,DB1,Q1 > Q2 breaker", "path 1: kind is missing"),
        (b'id,board\nC1,"DB1\nC2,DB1', "not a CSV file from here on"),
        (b"id,board\nC1,DB\xe91", "is not UTF-8 text"),
        (b"id,board\nC1,DB1\nC1,DB1", 'line 3: circuit "C1": the id "C1" is already taken by a circuit'),
    ],
)
def test_faults_of_spreadsheets(tmp_path: Path, cells: bytes, part: str) -> None:
    with pytest.raises(PlanWrong) as refused:
        load_plan(csv_plan(tmp_path, cells))
    assert part in str(refused.value)


def test_a_spreadsheet_that_is_not_there(tmp_path: Path) -> None:
    text = SMALL.replace('rules = "iec"', 'rules = "iec"\ncircuits_csv = "away.csv"')
    assert "line 6: [job]: circuits_csv: There is no file" in faults_of(tmp_path, text)


@pytest.mark.parametrize(
    "name", ["/etc/hostname", "../circuits.csv", "sub/../../circuits.csv", "C:\\\\plans.csv", "..\\\\x"]
)
def test_a_spreadsheet_outside_the_plans_folder_is_not_opened(tmp_path: Path, name: str) -> None:
    (tmp_path / "circuits.csv").write_text("secret line of somebody else\n", encoding="utf-8")
    (tmp_path / "job").mkdir()
    text = SMALL.replace('rules = "iec"', f'rules = "iec"\ncircuits_csv = "{name}"')
    told = faults_of(tmp_path / "job", text)
    assert "does not lie in the plan's folder: put the file beside the plan" in told
    assert "secret" not in told


def test_a_link_out_of_the_plans_folder_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere.csv").write_text("secret line of somebody else\n", encoding="utf-8")
    (tmp_path / "job").mkdir()
    text = SMALL.replace('rules = "iec"', 'rules = "iec"\ncircuits_csv = "circuits.csv"')
    (tmp_path / "job" / "circuits.csv").symlink_to(tmp_path / "elsewhere.csv")
    assert "leads out of the plan's folder" in faults_of(tmp_path / "job", text)
    (tmp_path / "job" / "circuits.csv").unlink()
    (tmp_path / "job" / "circuits.csv").mkdir()
    assert "is no file" in faults_of(tmp_path / "job", text)


def test_a_spreadsheet_below_the_plan_is_read(tmp_path: Path) -> None:
    (tmp_path / "lists").mkdir()
    (tmp_path / "lists" / "c.csv").write_text("id,board\nC7,DB1\n", encoding="utf-8")
    text = SMALL.replace('rules = "iec"', 'rules = "iec"\ncircuits_csv = "lists/c.csv"')
    assert "C7" in [circuit.id for circuit in load_plan(write(tmp_path, text)).circuits]


def test_of_a_file_that_is_no_plan_little_is_told(tmp_path: Path) -> None:
    with pytest.raises(PlanWrong) as refused:
        load_plan(csv_plan(tmp_path, b"token is abcdefghijklmnopqrstuvwxyz,b,c,d,e\nmore of it,x,y,z,w\n"))
    told = str(refused.value)
    assert "names no column of a circuit" in told
    assert "qrstuvwxyz" not in told
    assert "more of it" not in told
    assert told.count("circuits.csv") == 1


@pytest.mark.parametrize(
    "text",
    [
        SMALL + '[[circuit]]\nid = "C4/L/0"\nboard = "DB1"',
        SMALL + '[[circuit]]\nid = "C4"\nboard = "DB1"\npath = [{ id = "Q/4", kind = "breaker" }]',
        SMALL + '[[earth]]\nid = "E/1"\nkind = "main-earth"',
    ],
)
def test_an_id_has_no_slash(tmp_path: Path, text: str) -> None:
    assert "has a / in it" in faults_of(tmp_path, text)
    assert plan_from_body(plan_body(load_plan(write(tmp_path, text.replace("/", "-", 1).replace("/", "-")))))


words = st.text(max_size=12)
values = st.recursive(
    st.none() | st.booleans() | st.integers(-10, 10**6) | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
    max_leaves=6,
)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_a_damaged_body_is_a_plan_or_refused(data: st.DataObject) -> None:
    body: Any = json.loads(json.dumps(plan_body(load_plan(PLANS / "pottery.toml"))))
    table = body[data.draw(st.sampled_from(sorted(body)))]
    target = data.draw(st.sampled_from(table)) if isinstance(table, list) else table
    target[data.draw(st.sampled_from(sorted(target)) | words)] = data.draw(values)
    try:
        plan = plan_from_body(body)
    except PlanWrong as refused:
        assert refused.faults
    else:
        assert plan_from_body(json.loads(json.dumps(plan_body(plan)))) == plan


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=60), st.integers(0, 40))
def test_any_text_is_a_plan_or_refused(tmp_path: Path, text: str, at: int) -> None:
    lines = SMALL.splitlines()
    lines.insert(at % len(lines), text.replace("\ud800", ""))
    path = tmp_path / "plan.toml"
    path.write_text("\n".join(lines), encoding="utf-8", errors="surrogateescape")
    try:
        load_plan(path)
    except InputWrong as refused:
        assert str(refused)
