"""`zerofirst audit` at the desk: tables, JSON, exit codes, folders, checkpoints kept elsewhere, all cores."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from forger import Line, find, forge
from working_day import KEY, good_day

from logger.audit import desk
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.reader import LogbookReader
from logger.logbook.seal import Checkpoint, parse_checkpoint, sign_checkpoint
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
    """A file that is wrong is the caller's affair: it accuses no logbook."""
    studio = folder / "studio.db"
    good = first_checkpoint(studio)
    head = good.split("\n")[2]
    turned = head[:5] + ("A" if head[5] != "A" else "B") + head[6:]
    signature = good.rstrip("\n")[-6]
    wrong = {
        "no.checkpoint": "no checkpoint",
        "cut.checkpoint": good[:40],
        "turned.checkpoint": good.replace(head, turned),
        "signature.checkpoint": good.rstrip("\n")[:-6] + ("A" if signature != "A" else "B") + good.rstrip("\n")[-5:],
        "other.checkpoint": first_checkpoint(folder / "2026" / "store.db"),
    }
    for name, text in wrong.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
        code, out, err = call(capsys, studio, "--since", tmp_path / name)
        assert (code, out) == (2, ""), name
        assert len(err.strip().splitlines()) == 1
    code, _, err = call(capsys, studio, folder / "forged.db", "--since", tmp_path / "other.checkpoint")
    assert code == 2
    assert "another logbook" in err
    other = OperatorKey.from_seed("zerofirst-operator/eve", bytes(32))
    (tmp_path / "good.checkpoint").write_text(good, encoding="utf-8")
    assert call(capsys, studio, "--since", tmp_path / "good.checkpoint", "--key", other.vkey)[0] == 2


def test_since_by_a_key_that_the_logbook_does_not_name(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Agreeing with the entries it shows nothing; against them, somebody may have written the logbook anew."""
    studio, eve = folder / "studio.db", OperatorKey.from_seed("zerofirst-operator/eve", bytes(32))
    said = parse_checkpoint(first_checkpoint(studio)).checkpoint
    note = tmp_path / "eve.checkpoint"
    note.write_text(sign_checkpoint(said, eve), encoding="utf-8")
    code, _, err = call(capsys, studio, "--since", note)
    assert (code, "--key" in err) == (2, True)
    note.write_text(sign_checkpoint(Checkpoint(said.logbook, said.size, bytes(32)), eve), encoding="utf-8")
    assert call(capsys, studio, "--since", note)[0] == 4


def test_since_when_entry_1_was_changed(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    note = tmp_path / "report.checkpoint"
    note.write_text(first_checkpoint(folder / "studio.db"), encoding="utf-8")
    with sqlite3.connect(folder / "studio.db", isolation_level=None) as connection:
        guards = connection.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("UPDATE entries SET leaf = zeroblob(32) WHERE number = 1")
        for _, statement in guards:
            connection.execute(statement)
    connection.close()
    code, [told] = records(capsys, folder / "studio.db", "--since", note)
    assert code == 4
    assert told["extends"]["holds"] is False


def test_the_seal_taken_away(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """All that is left agrees with itself; only that it was closed to be sealed tells."""
    path = folder / "studio.db"
    with sqlite3.connect(path, isolation_level=None) as connection:
        guards = connection.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        [(last, kind)] = connection.execute("SELECT number, kind FROM entries ORDER BY number DESC LIMIT 1")
        assert kind == "seal"
        connection.execute("DELETE FROM entries WHERE number = ?", (last,))
        for _, statement in guards:
            connection.execute(statement)
    connection.close()
    code, [told] = records(capsys, path)
    assert code == 4
    [fault] = told["faults"]
    assert (fault["what"], fault["entry"]) == ("tail", last)
    assert f"entry {last - 1} closed the logbook to be sealed" in fault["sentence"]
    assert "crash" in fault["sentence"]


def test_an_empty_log_beside_it_holds_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "studio.db-wal").write_bytes(b"")
    code, out, _ = call(capsys, folder / "studio.db")
    assert (code, "-wal" in out) == (0, False)


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
