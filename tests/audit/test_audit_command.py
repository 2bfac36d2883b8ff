"""`zerofirst audit` at the desk: tables, JSON, exit codes, folders, checkpoints kept elsewhere, all cores."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from forger import Line, find, forge
from working_day import KEY, good_day

from logger.audit import desk
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.reader import LogbookReader
from tui.audit_run import audit_all, logbooks_in
from tui.audit_words import record
from tui.cli.main import main


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept")
    good_day(folder / "studio.db", 1)
    good_day(folder / "store.db", 2)

    def meets(lines: list[Line]) -> list[Line]:
        find(lines, "result", test="insulation").body["verdict"] = "fails"
        return lines

    forge(folder / "studio.db", folder / "forged.db", meets)
    return folder


@pytest.fixture
def folder(kept: Path, tmp_path: Path) -> Path:
    shutil.copytree(kept, tmp_path / "jobs")
    (tmp_path / "jobs" / "2026").mkdir()
    (tmp_path / "jobs" / "store.db").rename(tmp_path / "jobs" / "2026" / "store.db")
    (tmp_path / "jobs" / "notes.txt").write_text("glaze recipes")
    (tmp_path / "jobs" / "glazes.db").write_text("no logbook")
    return tmp_path / "jobs"


def call(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    code = main(["audit", *map(str, words)])
    said = capsys.readouterr()
    return code, said.out, said.err


def records(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, list[dict[str, Any]]]:
    code, out, _ = call(capsys, "--json", *words)
    return code, [json.loads(line) for line in out.splitlines()]


def test_one_good_logbook(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = call(capsys, kept / "studio.db")
    assert (code, err) == (0, "")
    assert "sealed" in out
    assert "instruments: 0417; 7 results" in out
    assert "follows from the raw bytes" in out
    assert "NOTE   unreached" in out
    assert "DOUBT" not in out


def test_one_good_logbook_as_json(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, [told] = records(capsys, kept / "studio.db")
    assert code == told["exit_code"] == 0
    with LogbookReader.open(kept / "studio.db") as reader:
        assert told["entries"] == reader.size
        assert told["id"] == reader.id
    assert told["logbook"] == str(kept / "studio.db")
    assert told["kinds"]["result"] == told["results"] == 7
    assert (told["sealed"], told["closed"], told["intact"], told["faults"]) == (True, True, True, [])
    assert told["checkpoints"] == told["kinds"]["checkpoint"] + told["kinds"]["seal"]
    assert told["instruments"] == ["0417"]
    assert told["weights"] == {"note": len(told["findings"]), "doubt": 0, "breach": 0}
    assert {"code", "weight", "entries", "sentence", "remedy"} == set(told["findings"][0])
    assert told["derived"]["differences"] == 0
    assert told["derived"]["counts"]["readings"] == told["kinds"]["reading"]
    assert told["extends"] is None


def test_a_forged_one_is_named_with_its_place(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with LogbookReader.open(kept / "forged.db") as reader:
        place = next(e.number for e in reader.entries(kinds=[Kind.RESULT]) if e.data["test"] == "insulation")
    code, [told] = records(capsys, kept / "forged.db")
    assert code == 4
    assert told["intact"] is False
    assert told["derived"]["first"] == place
    assert [fault["entry"] for fault in told["faults"]] == [place]
    assert told["findings"][0]["code"] == "rederivation"
    assert told["findings"][0]["weight"] == "breach"
    code, out, _ = call(capsys, kept / "forged.db")
    assert code == 4
    assert "DAMAGED OR ALTERED" in out
    assert f"Entry {place} (result)" in out
    assert "`verdict` is fails, not meets" in out


def test_a_folder_is_a_table_and_the_worst_decides(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = call(capsys, folder)
    assert code == 4
    lines = out.splitlines()
    assert lines[0].split() == ["LOGBOOK", "INSTRUMENTS", "RESULTS", "NOTES", "DOUBTS", "BREACHES", "SEAL"]
    rows = {line.split()[0].rsplit("/", 1)[-1]: line for line in lines[1:4]}
    assert rows["forged.db"].endswith("DAMAGED OR ALTERED")
    assert int(rows["studio.db"].split()[4]) > 0  # the forged one holds the same readings
    assert rows["store.db"].split()[1:] == ["0417", "7", "1", "0", "0", "sealed"]
    assert "glazes.db is no logbook" in err
    (folder / "forged.db").unlink()
    assert call(capsys, folder)[0] == 0


def test_what_is_no_logbook(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty").mkdir()
    for words in (
        [folder / "glazes.db"],
        [folder / "none.db"],
        [tmp_path / "empty"],
        [folder / "studio.db", folder / "none.db"],
    ):
        code, out, err = call(capsys, *words)
        assert (code, out) == (2, "")
        assert len(err.strip().splitlines()) == 1


def test_a_damaged_one_beside_a_good_one(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = (folder / "studio.db").read_bytes()
    (folder / "cut.db").write_bytes(whole[: len(whole) // 3])
    code, told = records(capsys, folder / "cut.db", folder / "studio.db")
    assert code == 4
    assert [each["exit_code"] for each in told] == [4, 0]
    code, out, err = call(capsys, folder / "cut.db")
    assert (code, out) == (4, "")
    assert len(err.strip().splitlines()) == 1


def test_bytes_changed_in_the_middle(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = bytearray((folder / "studio.db").read_bytes())
    data[len(data) // 2] ^= 0xFF
    (folder / "studio.db").write_bytes(data)
    before = (folder / "studio.db").read_bytes()
    code, _, _ = call(capsys, folder / "studio.db")
    assert code == 4
    assert (folder / "studio.db").read_bytes() == before


def first_checkpoint(path: Path) -> str:
    with LogbookReader.open(path) as reader:
        return str(next(reader.entries(kinds=[Kind.CHECKPOINT])).data["note"])


def test_since_a_checkpoint_kept_elsewhere(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    note = tmp_path / "report.checkpoint"
    note.write_text(first_checkpoint(folder / "studio.db"), encoding="utf-8")
    code, [told] = records(capsys, folder / "studio.db", "--since", note)
    assert code == 0
    assert told["extends"]["holds"] is True
    code, out, _ = call(capsys, folder / "studio.db", "--since", note)
    assert (code, "unchanged" in out) == (0, True)
    (folder / "forged.db").unlink()
    code, [store, studio] = records(capsys, folder, "--since", note)
    assert (code, store["extends"], studio["extends"]["holds"]) == (0, None, True)


def test_since_finds_a_logbook_written_anew(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Signed right, derived right, an operator's word changed: the checkpoint on the report pins it."""

    def other_word(lines: list[Line]) -> list[Line]:
        find(lines, "alteration").body["why"] = "no reason"
        return lines

    forge(folder / "studio.db", folder / "anew.db", other_word)
    with LogbookReader.open(folder / "studio.db") as reader:
        notes = [entry.data["note"] for entry in reader.entries(kinds=[Kind.CHECKPOINT, Kind.SEAL])]
    note = tmp_path / "report.checkpoint"
    note.write_text(notes[-1], encoding="utf-8")
    assert records(capsys, folder / "anew.db")[0] == 0
    code, [told] = records(capsys, folder / "anew.db", "--since", note)
    assert code == 4
    assert told["extends"]["holds"] is False
    assert told["faults"][0]["what"] == "extension"


def test_since_with_the_wrong_file(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "no.checkpoint").write_text("no checkpoint")
    code, _, err = call(capsys, folder / "studio.db", "--since", tmp_path / "no.checkpoint")
    assert code == 2
    assert len(err.strip().splitlines()) == 1
    note = tmp_path / "other.checkpoint"
    note.write_text(first_checkpoint(folder / "2026" / "store.db"), encoding="utf-8")
    assert call(capsys, folder / "studio.db", "--since", note)[0] == 4
    assert call(capsys, folder / "studio.db", folder / "studio.db", folder / "forged.db", "--since", note)[0] == 4


def test_a_key_known_from_elsewhere(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(capsys, folder / "studio.db", "--key", KEY.vkey)[0] == 0
    (tmp_path / "ada.vkey").write_text(KEY.vkey + "\n")
    assert call(capsys, folder / "studio.db", "--key", tmp_path / "ada.vkey")[0] == 0
    other = OperatorKey.from_seed("zerofirst-operator/eve", bytes(32))
    assert call(capsys, folder / "studio.db", "--key", other.vkey)[0] == 4
    assert call(capsys, folder / "studio.db", "--key", "no+key")[0] == 2


def test_all_cores_say_what_one_says(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths, _ = logbooks_in([folder])
    alone = [record(audit) for audit in audit_all(paths)]
    monkeypatch.setattr(desk, "LARGE_ENTRIES", 100)
    monkeypatch.setattr("tui.audit_run.LARGE_ENTRIES", 100)
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    told: list[tuple[int, int]] = []
    shared = [record(audit) for audit in audit_all(paths, show=lambda done, total: told.append((done, total)))]
    for one, other in zip(alone, shared, strict=True):
        assert sorted(map(json.dumps, one.pop("findings"))) == sorted(map(json.dumps, other.pop("findings")))
        assert one == other
    assert told[-1][0] == told[-1][1]


def test_two_uses_of_one_measurement_show_over_two_logbooks(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copy(folder / "studio.db", folder / "twice.db")
    code, told = records(capsys, folder / "studio.db", folder / "twice.db")
    assert code == 1
    assert [each["exit_code"] for each in told] == [0, 1]
    assert {each["code"] for each in told[1]["findings"] if each["weight"] == "doubt"} >= {"shared"}
