"""`reckon` and `rules` as somebody types them: answers, lists, and what is said of wrong calls."""

from __future__ import annotations

import json
import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InputWrong
from logger.rules.pack import Pack, load_pack
from logger.rules.reckoning.catalogue import FORMULAS, reckon
from logger.rules.reckoning.formula import Given, exact, shown
from tui.cli.main import main

OWN = Path(__file__).parents[2] / "fixtures" / "rules" / "own.toml"

CONTRACT = {
    "parallel-insulation": "branches=200,50",
    "unknown-branch": "total=1 rest=3",
    "conductor-resistance": "size=2.5 length=28",
    "r1-plus-r2": "line=2.5 earth=1.5 length=28",
    "to-20-degrees": "resistance=0.6 temperature=12",
    "ring": "r1=0.64 rn=0.64 r2=1.07",
    "loop-limit": "device=B32",
    "loop": "ze=0.35 r1r2=0.5",
    "fault-current": "voltage=230 impedance=0.2",
    "electrode-limit": "rating=30mA",
    "fall-of-potential": "readings=58,55,59",
    "insulation-at": "resistance=200 temperature=20 to=40",
    "absorption": "r30=160 r60=232 r600=812",
    "charge-time": "capacitance=100nF voltage=500",
    "discharge-time": "capacitance=1uF resistance=1MOhm voltage=500",
    "voltage-drop": "current=16 length=28 size=2.5 voltage=230",
    "cord-earth-limit": "length=3 size=1",
    "conformity": "reading=0.47 limit=0.5 side=max accuracy=2%+2 resolution=0.01",
}
"""Every formula of the interface, by the quantities that have no default there."""


class Run:
    def __init__(self, capsys: pytest.CaptureFixture[str], *words: str) -> None:
        self.code = main(list(words))
        caught = capsys.readouterr()
        self.out, self.err = caught.out, caught.err

    @property
    def record(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.out)
        return found


@pytest.mark.parametrize("formula", CONTRACT)
def test_formulas_of_the_interface(formula: str, capsys: pytest.CaptureFixture[str]) -> None:
    run = Run(capsys, "reckon", formula, *CONTRACT[formula].split(), "--json")
    record = run.record
    assert run.code == 0
    assert set(record) >= {"formula", "result", "unit", "working", "source"}
    assert record["formula"] == formula
    results = record["result"] if isinstance(record["result"], dict) else {"": record["result"]}
    for text in results.values():
        assert re.fullmatch(r"-?\d+\.\d+", text)
    person = Run(capsys, "reckon", formula, *CONTRACT[formula].split())
    assert "Source: " in person.out


def test_results_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    def names(*words: str) -> set[str]:
        return set(Run(capsys, "reckon", *words, "--json").record["result"])

    assert names("ring", "r1=1", "rn=1", "r2=2") == {"line_neutral", "line_earth_middle", "ratio"}
    assert names("loop-limit", "device=B32") == {"limit", "cold_limit"}
    assert names("fall-of-potential", "readings=1;2;3") == {"resistance", "deviation"}
    assert names("absorption", "r30=1", "r60=2", "r600=3") == {"dar", "pi"}
    assert names("voltage-drop", "current=1", "length=1", "size=1", "voltage=230") == {"drop", "percent"}
    conformity = CONTRACT["conformity"].split()
    assert names("conformity", *conformity) == {"probability", "standard_uncertainty", "guarded_limit"}


def test_units_as_people_write_them(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run(capsys, "reckon", "r1-plus-r2", "line=2,5", "mm²", "earth=1.5mm2", "length=2800 cm", "--json")
    assert Decimal(run.record["result"]) == Decimal("0.54628")
    run = Run(capsys, "reckon", "parallel-insulation", "branches=2,5; 500 kΩ", "--json")
    assert Decimal(run.record["result"]) == Decimal("0.002487562189"), "a bare number takes the unit that follows"
    run = Run(capsys, "reckon", "parallel-insulation", "branches=200,50,5,0.8 MΩ", "--json")
    assert run.record["result"].startswith("0.67796610")


@pytest.mark.parametrize(
    "typed",
    ["200;50;5;0,8", "200; 50; 5; 0,8 MΩ", "200 50 5 0,8", "200 MOhm 50 MOhm 5 MOhm 800 kOhm", "200, 50, 5, 0.8"],
)
def test_a_decimal_comma_in_a_list(typed: str, capsys: pytest.CaptureFixture[str]) -> None:
    for words in ([f"branches={typed}"], f"branches={typed}".split(" ")):
        run = Run(capsys, "reckon", "parallel-insulation", *words, "--json")
        assert run.record["result"].startswith("0.67796610"), typed


def test_options_stand_anywhere(capsys: pytest.CaptureFixture[str]) -> None:
    orders = (
        ("--json", "--rules", "bs", "loop-limit", "device=B32"),
        ("loop-limit", "--rules=bs", "device=B32", "--json"),
        ("loop-limit", "device=B32", "--json", "--rules", "bs"),
    )
    for words in orders:
        assert Run(capsys, "reckon", *words).record["result"]["limit"] == "1.365625000"


def test_a_branch_over_range_leaves_a_bound(capsys: pytest.CaptureFixture[str]) -> None:
    record = Run(capsys, "reckon", "parallel-insulation", "branches=12,30,>999 MOhm", "--json").record
    assert (record["result"], record["relation"]) == ("8.498511272", "gt")
    assert "at least 8.499" in Run(capsys, "reckon", "parallel-insulation", "branches=12,30,>999").out


@pytest.mark.parametrize(
    ("words", "part"),
    [
        ("nothing", 'There is no formula "nothing"'),
        ("parallel branches=1,2", 'did you mean "parallel-insulation"?'),
        ("loop ze=0.35", "loop also needs r1r2 (line and protective conductor)"),
        ("loop", "loop also needs ze"),
        ("loop ze=0.3 r1r2=0.2 zs=3", 'loop has no "zs"'),
        ("loop ze=0.3 ze=0.4 r1r2=1", "ze is given twice"),
        ("loop 0.3 0.4", '"0.3" is not of the form NAME=VALUE'),
        ("loop ze=3V r1r2=1", "is a voltage, not a resistance: give it in Ohm"),
        ("loop ze=3mohm r1r2=1", "can be read as milliohm or as megohm"),
        ("fault-current voltage=230 impedance=0", "it must be more than 0"),
        ("parallel-insulation branches=5", "give 2 or more"),
        ("fall-of-potential readings=5,6", "give 3"),
        ("conductor-resistance size=2.4 length=1", "There is no conductor of 2.4 mm2"),
        ("conductor-resistance size=2.5 length=1 class=3", "There is no conductor class 3"),
        ("conductor-resistance size=2.5 length=1 temperature=900", "at most 250"),
        ("unknown-branch total=5 rest=4", "no branch does that"),
        ("loop-limit device=32", "is no device"),
        ("loop-limit device=Z32", 'no figure for a device of type "Z"'),
        ("loop-limit device=B32 --rules none", 'There is no rule pack "none"'),
        ("loop-limit device=B32 --rules", "--rules needs a rule pack"),
        ("loop-limit device=B32 --digits 3", "--rules and --json alone"),
        ("voltage-drop current=1 length=1 size=1 phases=2 voltage=230", "use 1 or 3"),
        ("conformity reading=1 limit=2 side=up accuracy=1%", "write max"),
        ("conformity reading=1 limit=2 side=max accuracy=good", "is no accuracy"),
        ("conformity reading=1 limit=2V side=max accuracy=1%", "give the reading its unit too"),
        ("conformity reading=1A limit=2V side=max accuracy=1%", "is a voltage, not a current"),
        ("cord-earth-limit length=3 size=1 --rules iec", "has no figure for this"),
        ("charge-time capacitance=>5nF voltage=500", "an over-range reading is no number"),
        ("electrode-limit rating=30", 'rating: "30" has no unit: write 30 mA or 30 A'),
        ("touch-voltage resistance=180 rating=30", "write 30 mA or 30 A"),
        ("bonding-limit current=30", "write 30 mA or 30 A"),
        ("substitute-leakage current=1.8 test=110", "write 1.8 mA or 1.8 A"),
        ("class-a-trip-time current=6", "write 6 mA or 6 A"),
        ("charge-time capacitance=1 voltage=500", "write 1 nF or 1 uF"),
        ("charge-time capacitance=1uF voltage=500 current=1", "write 1 mA or 1 A"),
        ("cable-capacitance thickness=1 radius=1mm permittivity=5 length=1", "write 1 mm"),
        ("parallel-insulation branches=200,50,5,0,8", "put ; or a space between the values"),
        ("parallel-insulation branches=0,5", "put ; or a space between the values"),
        ("parallel-insulation branches=2,05,7", "put ; or a space between the values"),
        ("fall-of-potential readings=0,58,0,55,0,59", "put ; or a space between the values"),
        ("r1-plus-r2 line=2.5mm earth=1.5mm2 length=28m", "is a length, and a section is an area: write 2.5 mm2"),
    ],
)
def test_wrong_calls_are_explained(words: str, part: str, capsys: pytest.CaptureFixture[str]) -> None:
    run = Run(capsys, "reckon", *words.split())
    assert (run.code, run.out) == (2, "")
    assert part in run.err
    assert run.err.count("\n") == 1


def test_all_that_is_wrong_is_said_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run(capsys, "reckon", "fault-current", "voltage=28m", "imp=2")
    for part in ("voltage:", 'has no "imp"', "also needs impedance"):
        assert part in run.err


def test_the_list(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run(capsys, "reckon")
    assert run.code == 0
    listed = Run(capsys, "reckon", "--json").record["formulas"]
    assert {record["formula"] for record in listed} == set(FORMULAS) >= set(CONTRACT)
    for record in listed:
        assert f"{record['formula']}: {record['what']}" in run.out
        required = {quantity["name"] for quantity in record["quantities"] if quantity["required"]}
        if record["formula"] in CONTRACT:
            given = {word.partition("=")[0] for word in CONTRACT[record["formula"]].split()}
            assert required <= given, "nothing is required beyond the interface"


@pytest.mark.parametrize(
    ("number", "text"),
    [
        ("0.54628", "0.5462800000"),
        ("1666.666666666666", "1666.666667"),
        ("0", "0.000000000"),
        ("1E-7", "0.0000001000000000"),
    ],
)
def test_exact(number: str, text: str) -> None:
    assert exact(Decimal(number)) == text


def test_shown() -> None:
    assert [shown(Decimal(text)) for text in ("0.546280", "1666.67", "120", "0")] == ["0.5463", "1667", "120", "0"]


def test_rules_list(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run(capsys, "rules")
    for name in ("iec", "as-nzs", "bs", "en-appliances", "as-nzs-appliances", "uk-appliances"):
        assert f"{name}: " in run.out
    assert "Check your own edition" in run.out
    listed = Run(capsys, "rules", "--json").record["rules"]
    assert {"iec", "bs", "as-nzs"} <= {pack["pack"] for pack in listed}


@pytest.mark.parametrize("name", ["iec", "as-nzs", "bs", "en-appliances", "as-nzs-appliances", "uk-appliances"])
def test_rules_show_their_sources(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    run = Run(capsys, "rules", name)
    record = Run(capsys, "rules", name, "--json").record
    text = " ".join(run.out.split())
    assert run.code == 0
    assert record["edition"] in text
    assert "Check each figure against your own edition and your local rules" in text
    for limit in record["limits"]:
        assert limit["sentence"] in text
        assert f"[{limit['source']}" in text
        assert limit["confidence"] in "PTUDS"
        if limit["confidence"] == "U":
            assert not limit["judged"]
            assert f"check your edition; recorded, never judged: {limit['sentence']}" in text
    assert "Tests, in order of work" in text
    assert max(len(line) for line in run.out.splitlines()) <= 120


def test_a_users_own_rules(capsys: pytest.CaptureFixture[str]) -> None:
    assert "at least 5.0 MOhm" in Run(capsys, "rules", str(OWN)).out


def test_unknown_rules(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run(capsys, "rules", "nec")
    assert (run.code, run.out) == (2, "")
    assert "use one of as-nzs, as-nzs-appliances, bs" in run.err


@pytest.mark.parametrize("words", [("loop", "ze=1", "r1r2=1"), ("loop-limit", "device=B32"), ()])
def test_rules_that_are_none_are_refused_whatever_the_formula(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    run = Run(capsys, "reckon", *words, "--rules", "bogus")
    assert (run.code, run.out) == (2, "")
    assert 'no rule pack "bogus": use one of as-nzs, as-nzs-appliances, bs' in run.err


def test_a_formula_that_asks_no_pack_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    run = Run(capsys, "reckon", "loop", "ze=0.35", "r1r2=0.2", "--rules", "bs")
    assert run.code == 0
    assert "loop asks no rule pack: bs changes nothing in it" in run.out
    assert "asks no rule pack" not in Run(capsys, "reckon", "loop-limit", "device=B32", "--rules", "bs").out
    assert "asks no rule pack" not in Run(capsys, "reckon", "loop", "ze=0.35", "r1r2=0.2").out


def test_the_formulas_that_use_a_pack_are_those_that_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def pack(given: Given, default: str) -> Pack:
        asked.append(default)
        return load_pack(default)

    monkeypatch.setattr(Given, "pack", pack)
    for name, words in [*CONTRACT.items(), ("heater-leakage-limit", "power=2kW")]:
        before = len(asked)
        reckon(name, words.split())
        assert (len(asked) > before) is FORMULAS[name].by_rules, name


figures = st.sampled_from(["0", "0.000001", "1", "3", "0.5", "20", "-5", "999999999", "1e15", "1e-15", "2.5", "230"])
scraps = figures | figures | figures | st.text(max_size=10) | st.lists(figures, min_size=1, max_size=4).map(";".join)
odd_words = st.sampled_from(
    ["B32", "D999999", "max", "min", "2%+2", "0%+0", "±(3 % + 1 digit)", ">3", "1;2;3", "5 kV", "-40"]
)


@settings(deadline=None, max_examples=400)
@given(st.sampled_from(sorted(FORMULAS)), st.data())
def test_whatever_is_typed_is_answered_or_explained(name: str, data: st.DataObject) -> None:
    words = [
        f"{q.name}={data.draw(scraps | odd_words)}" for q in FORMULAS[name].quantities if data.draw(st.integers(0, 9))
    ]
    try:
        answer = reckon(name, words, data.draw(st.sampled_from([None, "bs", "as-nzs", "uk-appliances"])))
    except InputWrong as refused:
        assert "\n" not in str(refused)
    else:
        assert answer.results
        for figure in answer.results.values():
            assert len(exact(figure.number)) < 100
            assert shown(figure.number)
