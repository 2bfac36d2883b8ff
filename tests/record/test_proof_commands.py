"""`prove-entry` and `check-entry` as they are called: exit codes, one sentence each, JSON where asked for."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from record_kit import KEY, OTHER_KEY, forging, logbook_of

from tui.cli.main import main


@pytest.fixture
def sealed(tmp_path: Path) -> Path:
    return logbook_of(tmp_path / "kiln.logbook", 300, seal=True)


def test_proven_here_checked_elsewhere(sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bundle = tmp_path / "proof.json"
    assert main(["prove-entry", str(sealed), "17", "--to", str(bundle)]) == 0
    assert KEY.fingerprint in capsys.readouterr().out
    sealed.unlink()
    assert main(["check-entry", str(bundle)]) == 0
    spoken = capsys.readouterr().out
    assert "It holds: entry 17" in spoken
    assert "That key is named by the file itself" in spoken
    assert main(["check-entry", str(bundle), "--key", KEY.vkey, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["holds"] is True
    assert found["entry"]["number"] == 17
    assert found["key_given"] is True
    assert found["fingerprint"] == KEY.fingerprint


def test_json_of_what_was_proven(sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["prove-entry", str(sealed), "5", "--to", str(tmp_path / "p.json"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["entry"] == 5
    assert found["vkey"] == KEY.vkey


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["prove-entry", "{logbook}", "9999", "--to", "{to}"], 2),
        (["prove-entry", "{logbook}", "0", "--to", "{to}"], 2),
        (["prove-entry", "{missing}", "5", "--to", "{to}"], 2),
        (["prove-entry", "{logbook}", "5", "--to", "{logbook}"], 2),
        (["check-entry", "{missing}"], 2),
        (["check-entry", "{logbook}"], 2),
    ],
)
def test_wrong_calls_are_one_sentence_and_two(
    sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int
) -> None:
    before = sealed.read_bytes()
    names = {"logbook": str(sealed), "to": str(tmp_path / "to.json"), "missing": str(tmp_path / "missing")}
    assert main([word.format(**names) for word in words]) == code
    complaint = capsys.readouterr().err
    assert complaint.count("\n") == 1
    assert "Traceback" not in complaint
    assert sealed.read_bytes() == before
    assert not (tmp_path / "to.json").exists()


def test_evidence_that_does_not_hold_is_four(sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bundle = tmp_path / "proof.json"
    assert main(["prove-entry", str(sealed), "17", "--to", str(bundle)]) == 0
    assert main(["check-entry", str(bundle), "--key", OTHER_KEY.vkey]) == 4
    bundle.write_text(bundle.read_text(encoding="utf-8").replace("SIM-0001", "SIM-0002"), encoding="utf-8")
    assert main(["check-entry", str(bundle)]) == 4
    assert "The evidence does not hold" in capsys.readouterr().err


def test_an_altered_logbook_proves_nothing(sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with forging(sealed) as connection:
        connection.execute("UPDATE entries SET body = '{}' WHERE number = 17")
    assert main(["prove-entry", str(sealed), "17", "--to", str(tmp_path / "to.json")]) == 4
    assert "Entry 17" in capsys.readouterr().err
    assert not (tmp_path / "to.json").exists()


def test_hostile_texts_are_shown_harmlessly(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from logger.clock import ManualClock
    from logger.logbook.entries import Kind
    from logger.logbook.writer import Logbook

    path = tmp_path / "odd.logbook"
    with Logbook.create(path, [(Kind.JOB, {"title": "\x1b[2J\u202e[/] \ud800"})], ManualClock(), KEY) as logbook:
        logbook.checkpoint()
    assert main(["prove-entry", str(path), "1", "--to", str(tmp_path / "p.json")]) == 0
    assert main(["check-entry", str(tmp_path / "p.json")]) == 0
    shown = capsys.readouterr().out
    assert "\x1b" not in shown
    assert "\u202e" not in shown
