"""An auditor's signed remark: an entry of its own, never an edit; beside the logbook where that takes no entry."""

from __future__ import annotations

import asyncio
import json
import sqlite3
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest
from working_day import KEY, Day, DriversAtHand, good_day, wires_for

sys.path.insert(0, str(Path(__file__).parent.parent / "outside"))
from outside_verifier import complaints_about_bundle, complaints_about_logbook

from logger.audit.desk import Audit, Task, perform
from logger.audit.remark import Remark, remarks_in
from logger.audit.remarking import Words, Written, write_remark
from logger.audit.remarks_beside import look_beside, name_beside
from logger.clock import ManualClock, from_rfc3339
from logger.errors import InputWrong, LogbookDamaged, LogbookUnusable, StorageFailed
from logger.logbook import files, lock, writer
from logger.logbook.entries import Kind
from logger.logbook.keys import KEYS_VARIABLE, OperatorKey
from logger.logbook.proofs import prove
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook
from tui.cli.main import main

BEN = OperatorKey.from_seed("zerofirst-operator/ben-ode", b"glaze ware kiln wheel clay slip.")
ABOUT = 40


def ben(name: str) -> OperatorKey:
    assert name == "Ben Ode"
    return BEN


def words(text: str = "Ask whose leads these were.", about: int = ABOUT) -> Words:
    return Words(about, text, "Ben Ode")


async def left_open(day: Day) -> None:
    await day.do("note", text="the wheels are unplugged")


def clock_after(path: Path, seconds: float) -> ManualClock:
    with LogbookReader.open(path) as reader:
        last = from_rfc3339(reader.entry(reader.size).at)
    return ManualClock(last + timedelta(seconds=seconds))


def remark_on(path: Path, said: Words | None = None, after_s: float = 3600.0) -> Written:
    return write_remark(path, said or words(), ben, clock_after(path, after_s))


def audit_of(path: Path, pinned: tuple[str, ...] = ()) -> Audit:
    audit = Audit(path)
    audit.outcome = perform(path, Task.ALL, DriversAtHand(), pinned)
    return audit


def weighty(audit: Audit) -> list[tuple[str, str, tuple[int, ...]]]:
    return [(each.code, each.weight.value, each.entries) for each in audit.findings]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept")
    good_day(folder / "open.db", 1, left_open)
    good_day(folder / "sealed.db", 1)
    return folder


def copy_of(kept: Path, folder: Path, name: str) -> Path:
    path = folder / name
    path.write_bytes((kept / name).read_bytes())
    path.chmod(files.PRIVATE_MODE)
    return path


@pytest.fixture
def still_open(kept: Path, tmp_path: Path) -> Path:
    return copy_of(kept, tmp_path, "open.db")


@pytest.fixture
def sealed(kept: Path, tmp_path: Path) -> Path:
    return copy_of(kept, tmp_path, "sealed.db")


def entries_of(path: Path) -> list[tuple[int, str, str, str, bytes]]:
    with LogbookReader.open(path) as reader:
        return [(e.number, e.at, str(e.kind), e.body, e.leaf) for e in reader.entries()]


def test_it_is_a_note_between_its_writers_key_and_checkpoint(still_open: Path) -> None:
    before = entries_of(still_open)
    written = remark_on(still_open)
    after = entries_of(still_open)
    assert after[: len(before)] == before
    assert [entry[2] for entry in after[len(before) :]] == ["operator", "note", "checkpoint"]
    note = after[written.entry - 1]
    assert json.loads(note[3]) == {
        "about": ABOUT,
        "text": "Ask whose leads these were.",
        "by": "Ben Ode",
        "role": "auditor",
    }
    again = remark_on(still_open, words("And who held them."))
    assert [entry[2] for entry in entries_of(still_open)[len(after) :]] == ["note", "checkpoint"]
    assert again.checkpoint.size == again.entry
    with LogbookReader.open(still_open) as reader:
        both = list(remarks_in(reader, ABOUT))
        assert [each.entry for each in both] == [written.entry, again.entry]
        assert {(each.signer, each.fingerprint) for each in both} == {(BEN.name, BEN.fingerprint)}
        assert list(remarks_in(reader, ABOUT + 1)) == []


@pytest.mark.parametrize("after_s", [5.0, 3600.0, 9 * 86_400.0])
def test_it_neither_makes_nor_lifts_a_doubt(still_open: Path, after_s: float) -> None:
    before = audit_of(still_open)
    remark_on(still_open, after_s=after_s)
    after = audit_of(still_open)
    assert weighty(after) == weighty(before)
    assert after.exit_code == before.exit_code == 0
    assert [(each.about, each.by) for each in after.outcome.remarks] == [(ABOUT, "Ben Ode")]


def test_on_a_logbook_with_a_doubt_the_doubt_stays(tmp_path: Path) -> None:
    async def failed_check(day: Day) -> None:
        await day.take("C1", "insulation", "insulation", 8, voltage="500")
        day.hands("leads short")
        await day.wait(1)
        await day.do("prove", point="infinity", function="insulation", voltage="500")

    path = tmp_path / "job.db"
    good_day(path, 1, failed_check)
    before = audit_of(path)
    [doubt] = [each for each in before.findings if each.code == "brackets"]
    remark_on(path, words("Seen; the leads were joined by mistake.", doubt.entries[0]))
    after = audit_of(path)
    assert weighty(after) == weighty(before)
    assert after.exit_code == before.exit_code == 1


def test_the_operators_key_alone_still_vouches_for_the_rest(still_open: Path) -> None:
    remark_on(still_open)
    assert audit_of(still_open, (KEY.vkey,)).exit_code == 0
    assert audit_of(still_open, (BEN.vkey,)).exit_code == 4


def test_a_strangers_checkpoint_over_more_than_a_remark_is_still_found(still_open: Path) -> None:
    with Logbook.open(still_open, clock_after(still_open, 10), BEN) as logbook:
        logbook.append(Kind.SKIP, {"item": "C3", "test": "insulation", "why": "behind a wall"})
        logbook.remark({"about": ABOUT, "text": "x", "by": "Ben Ode", "role": "auditor"})
        logbook.commit()
    assert audit_of(still_open, (KEY.vkey,)).exit_code == 4


@pytest.mark.parametrize(("away_s", "lapses"), [(30, False), (90, True)])
def test_a_session_after_it_is_judged_by_when_the_last_one_ended(tmp_path: Path, away_s: float, lapses: bool) -> None:
    """A remark between two sessions is no sign that the meter was watched over meanwhile."""
    path = tmp_path / "job.db"
    day = good_day(path, 1, left_open)
    day.clock.advance(away_s)
    write_remark(path, words(), ben, day.clock)
    day.clock.advance(1)
    wires = wires_for(day.clock, 2)

    async def look(day: Day) -> None:
        await day.wait(2)

    again = Day(path, day.clock, wires, Random(2))
    asyncio.run(again.run(look))
    with LogbookReader.open(path) as reader:
        opened = list(reader.entries(kinds=[Kind.OPENED]))[-1].number
        told = [entry.data["why"] for entry in reader.entries(opened, kinds=[Kind.LAPSED])]
    assert ("line lost for more than a minute" in told) is lapses
    audit = audit_of(path)
    assert audit.outcome.rederivation is not None
    assert audit.outcome.rederivation.differences == ()
    assert audit.exit_code == 0


def test_a_sealed_logbook_is_remarked_on_beside_it(sealed: Path) -> None:
    before = sealed.read_bytes()
    written = remark_on(sealed)
    assert sealed.read_bytes() == before
    assert written.path == name_beside(sealed)
    assert [entry[2] for entry in entries_of(written.path)] == ["job", "rules", "operator", "note", "checkpoint"]
    with LogbookReader.open(sealed) as reader, LogbookReader.open(written.path) as its:
        audited = its.entry(1).data["audited"]
        assert (audited["id"], audited["size"]) == (reader.id, reader.size)
        found = look_beside(reader, ABOUT)
        assert found.trouble == ""
        assert [(each.signer, each.beside) for each in found.remarks] == [(BEN.name, "sealed.db.remarks")]
    assert audit_of(sealed).outcome.remarks == found.remarks
    assert weighty(audit_of(written.path)) == []
    assert audit_of(written.path).exit_code == 0
    remark_on(sealed, words("And who held them.", 41))
    assert [each.about for each in audit_of(sealed).outcome.remarks] == [ABOUT, 41]


def test_what_lies_beside_must_be_about_this_very_logbook(sealed: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    good_day(other, 2)
    remark_on(other)
    name_beside(other).rename(name_beside(sealed))
    audit = audit_of(sealed)
    assert audit.outcome.remarks == ()
    assert "another logbook" in audit.outcome.beside
    with pytest.raises(LogbookUnusable, match="another logbook"):
        remark_on(sealed)
    name_beside(sealed).write_text("glaze recipes")
    assert "cannot be read" in audit_of(sealed).outcome.beside


def test_a_remark_with_no_signature_behind_it_says_so(still_open: Path) -> None:
    with Logbook.open(still_open, clock_after(still_open, 10), None) as logbook:
        logbook.append(Kind.NOTE, {"about": ABOUT, "text": "all is well", "by": "the auditor", "role": "auditor"})
        logbook.append(Kind.NOTE, {"about": "40", "text": "no remark"})
    with LogbookReader.open(still_open) as reader:
        [found] = remarks_in(reader)
    assert (found.signer, found.fingerprint) == ("", "")


def test_it_is_shown_with_the_entry_it_is_about(
    still_open: Path, sealed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in (still_open, sealed):
        remark_on(path, words("not \x1b[31mred\x1b[0m, and \u202eturned"))
        assert main(["show", str(path), str(ABOUT)]) == 0
        out = capsys.readouterr().out
        assert f"REMARK on entry {ABOUT} by Ben Ode (auditor)" in out
        assert BEN.fingerprint in out
        assert "\x1b" not in out
        assert "\u202e" not in out
        assert main(["show", str(path), str(ABOUT), "--json"]) == 0
        [told] = json.loads(capsys.readouterr().out)["remarks"]
        assert (told["about"], told["signed"]) == (ABOUT, True)
        assert main(["audit", str(path), "--json"]) == 0
        [record] = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        assert [each["text"] for each in record["signed_remarks"]] == [told["text"]]


def test_an_outsiders_verifier_agrees(still_open: Path, sealed: Path) -> None:
    for path in (still_open, sealed):
        written = remark_on(path)
        assert complaints_about_logbook(path) == []
        assert complaints_about_logbook(written.path, BEN.vkey if written.path != path else None) == []
        with LogbookReader.open(written.path) as reader:
            assert complaints_about_bundle(prove(reader, written.entry).text(), BEN.vkey) == []


def refused(path: Path, error: type[Exception], said: Words, **kinds: Any) -> None:
    before = {each: each.read_bytes() for each in path.parent.iterdir() if each.is_file()}
    with pytest.raises(error, **kinds):
        write_remark(path, said, ben, ManualClock())
    assert {each: each.read_bytes() for each in path.parent.iterdir() if each.is_file()} == before


def test_what_cannot_be_written_leaves_everything_as_it_was(
    still_open: Path, sealed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for path in (still_open, sealed):
        refused(path, InputWrong, words(about=10_000), match="no entry 10000")
        refused(path, InputWrong, words(about=0), match="no entry 0")
        refused(path, InputWrong, words("  "), match="no words")
        refused(path, InputWrong, words("x" * 2001), match="2000 characters")
        refused(path, InputWrong, Words(ABOUT, "x", ""), match="no words")
        with monkeypatch.context() as patched:
            patched.setattr(lock.FileLock, "acquire", read_only)
            refused(path, LogbookUnusable, words(), match="cannot be written to")
    held = pytest.raises(LogbookUnusable, match="being recorded by this very program")
    with Logbook.open(still_open, ManualClock(), KEY), held:
        write_remark(still_open, words(), ben, ManualClock())
    held = pytest.raises(LogbookUnusable, match="being recorded by another program")
    with lock.FileLock(still_open.with_name("open.db.lock")), held:
        write_remark(still_open, words(), ben, ManualClock())


def read_only(*_: Any, **__: Any) -> None:
    raise OSError(30, "Read-only file system")


def test_a_disk_that_fails_keeps_what_was_there(still_open: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: Any) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    before = entries_of(still_open)
    monkeypatch.setattr(writer, "write_batch", fails)
    with pytest.raises(StorageFailed):
        remark_on(still_open)
    monkeypatch.undo()
    assert entries_of(still_open) == before


def test_a_damaged_logbook_takes_no_remark(still_open: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.db"
    data = still_open.read_bytes()
    cut.write_bytes(data[: len(data) // 3])
    with pytest.raises(LogbookDamaged):
        write_remark(cut, words(), ben, ManualClock())
    assert cut.read_bytes() == data[: len(data) // 3]
    assert sorted(tmp_path.glob("cut.db*")) == [cut], "nothing is left beside it"
    with sqlite3.connect(still_open) as connection:
        connection.execute("DROP TRIGGER entries_are_not_changed")
    connection.close()
    refused(still_open, LogbookDamaged, words(), match="entries_are_not_changed")


Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    monkeypatch.setenv(KEYS_VARIABLE, str(tmp_path / "keys"))

    def remark(*said: object) -> tuple[int, str, str]:
        code = main(["remark", *map(str, said)])
        out, err = capsys.readouterr()
        return code, out, err

    return remark


def test_the_command(still_open: Path, sealed: Path, call: Call) -> None:
    code, out, err = call(still_open, ABOUT, "Ask", "whose", "leads", "--by", "Ben Ode")
    assert (code, err) == (0, "")
    assert f"is a remark on entry {ABOUT}" in out
    code, out, _ = call(sealed, ABOUT, "Seen.", "--by", "Ben Ode", "--role", "site manager", "--json")
    told = json.loads(out)
    assert (code, told["about"], told["entry"]) == (0, ABOUT, 4)
    with LogbookReader.open(sealed) as reader:
        [found] = look_beside(reader).remarks
    assert isinstance(found, Remark)
    assert (found.role, found.fingerprint) == ("site manager", told["fingerprint"])


def test_the_command_refuses_in_one_sentence(still_open: Path, tmp_path: Path, call: Call) -> None:
    for said in (
        (still_open, 99_999, "x"),
        (still_open, -1, "x"),
        (tmp_path / "none.db", 1, "x"),
        (still_open, ABOUT, " "),
    ):
        code, out, err = call(*said) if said[1] != -1 else call(still_open, "0", "x")
        assert (code, out, len(err.strip().splitlines())) == (2, "", 1)
    assert not (tmp_path / "keys").exists(), "no key is made for what is not written"
    (tmp_path / "keys").write_text("no folder")
    code, out, err = call(still_open, ABOUT, "x", "--by", "Ben Ode")
    assert (code, out, len(err.strip().splitlines())) == (2, "", 1)
    assert "signing key" in err
