"""Bad input ends in one plain sentence that says what to do, the right exit code, and nothing written or lost."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest
from stranger import PLAN, StrangerMeter, recording, run

TEN_MISTAKES = """
[job]
title = ""
kind = "instalation"
rules = "iec"
decision = "maybe"
[supply]
system = "TN-X"
voltage = -230
[[board]]
id = "DB1"
[[circuit]]
id = "C1"
board = "DB9"
cable = { line_mm2 = 2.5, earth_mm2 = 2.5, length_m = -3 }
required = ["insulatoin"]
[[circuit]]
id = "C1"
board = "DB1"
path = [ { id = "S1", kind = "swich" } ]
"""


def start(folder: Path) -> None:
    (folder / "plan.toml").write_text(PLAN)
    assert run("new", "plan.toml", "job.db", cwd=folder).returncode == 0


def one_sentence(text: str) -> str:
    lines = text.strip().splitlines()
    assert len(lines) == 1, text
    assert "Traceback" not in text
    return lines[0]


def test_a_plan_with_ten_mistakes_lists_ten_and_leaves_no_file(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(TEN_MISTAKES)
    done = run("new", "plan.toml", "job.db", cwd=tmp_path)
    assert done.returncode == 2
    assert "10 faults" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 11
    assert not (tmp_path / "job.db").exists()


def test_an_existing_logbook_is_never_overwritten(tmp_path: Path) -> None:
    start(tmp_path)
    before = (tmp_path / "job.db").read_bytes()
    done = run("new", "plan.toml", "job.db", cwd=tmp_path)
    assert done.returncode == 2
    one_sentence(done.stderr)
    assert (tmp_path / "job.db").read_bytes() == before


@pytest.mark.parametrize("url", ["serial:/dev/no-such-port", "tcp:127.0.0.1:1"])
def test_a_port_that_is_not_there_gives_its_remedy(tmp_path: Path, url: str) -> None:
    start(tmp_path)
    done = run("capture", "job.db", "--json", "--from", url, cwd=tmp_path)
    assert done.returncode == 3
    one_sentence(done.stderr)


@pytest.mark.parametrize(
    "url", ["nonsense", "tcp:", "tcp:127.0.0.1:port", "serial:", "tcp:127.0.0.1:4000?driver=no-such"]
)
def test_an_address_that_cannot_be_read(tmp_path: Path, url: str) -> None:
    start(tmp_path)
    done = run("capture", "job.db", "--from", url, cwd=tmp_path)
    assert done.returncode == 2
    one_sentence(done.stderr)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may open any port; run it as a user")
@pytest.mark.slow  # the contract's fifteen seconds of trying
def test_what_is_no_serial_port_is_told_so_in_plain_words(tmp_path: Path) -> None:
    start(tmp_path)
    done = run("capture", "job.db", "--from", f"serial:{tmp_path / 'plan.toml'}", cwd=tmp_path)
    assert done.returncode == 3
    assert "plan.toml is no serial port: " in one_sentence(done.stderr)


def test_a_capture_that_is_not_there_is_told_before_anything_is_written(tmp_path: Path) -> None:
    start(tmp_path)
    before = (tmp_path / "job.db").read_bytes()
    done = run("capture", "job.db", "--from", "keyed:", "replay:nonesuch", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert one_sentence(done.stderr) == "There is no file nonesuch to replay: check its name."
    assert (tmp_path / "job.db").read_bytes() == before


@pytest.mark.parametrize("content", [b"", b"\x00\xff no meter at all \n" * 200, b"@end of=id*9AB54423\n"])
def test_a_capture_in_which_nobody_is_ends_at_once(tmp_path: Path, content: bytes) -> None:
    start(tmp_path)
    (tmp_path / "kept.bin").write_bytes(content)
    with recording("job.db", "replay:kept.bin", tmp_path) as recorder:  # its input stays open: it ends by itself
        assert recorder.child.wait(15) == 3
        assert "kept.bin is at its end, and no meter said in it who it is: " in one_sentence(recorder.errors())
    assert run("audit", "job.db", cwd=tmp_path).returncode == 0


def test_a_capture_without_the_meters_functions_is_ready_all_the_same(tmp_path: Path) -> None:
    start(tmp_path)
    meter = StrangerMeter()
    (tmp_path / "kept.bin").write_bytes(meter.ident() + meter.reading() + meter.reading())
    with recording("job.db", "replay:kept.bin", tmp_path) as recorder:
        assert recorder.event("ready")["serial"] == "S-77"
        assert recorder.step("select", item="C1", test="insulation", voltage=500)["event"] == "selected"
        assert recorder.end() == 0
    assert sum(event["event"] == "reading" for event in recorder.seen) == 2
    assert run("audit", "job.db", cwd=tmp_path).returncode == 0


def test_a_forbidden_port(tmp_path: Path) -> None:
    start(tmp_path)
    port = tmp_path / "port"
    port.touch(mode=0)
    assert run("capture", "job.db", "--from", f"serial:{port}", cwd=tmp_path).returncode == 3


def test_a_busy_port(tmp_path: Path) -> None:
    start(tmp_path)
    meter = StrangerMeter()
    try:
        url = meter.on_pty()
        with recording("job.db", url, tmp_path) as recorder:
            recorder.event("ready")
            (tmp_path / "other").mkdir()
            start(tmp_path / "other")
            done = run("capture", "job.db", "--from", url, cwd=tmp_path / "other")
            assert done.returncode == 3
            assert "another program" in one_sentence(done.stderr)
    finally:
        meter.stop()


@pytest.mark.parametrize("command", ["audit", "show", "capture"])
@pytest.mark.parametrize("content", [b"", b"glaze recipes\n" * 100])
def test_a_file_that_is_no_logbook(tmp_path: Path, command: str, content: bytes) -> None:
    (tmp_path / "notes.db").write_bytes(content)
    more = ["--from", "keyed:"] if command == "capture" else []
    done = run(command, "notes.db", *more, cwd=tmp_path)
    assert done.returncode == 2
    one_sentence(done.stderr)
    assert (tmp_path / "notes.db").read_bytes() == content


def test_a_foreign_database_is_no_logbook(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "glazes.db") as db:
        db.execute("create table glazes (name text)")
    db.close()
    done = run("audit", "glazes.db", cwd=tmp_path)
    assert done.returncode == 2
    one_sentence(done.stderr)


def test_a_logbook_that_was_altered_is_found_with_exit_4(tmp_path: Path) -> None:
    start(tmp_path)
    with sqlite3.connect(tmp_path / "job.db") as db:
        for (name,) in db.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            db.execute(f'drop trigger "{name}"')
        db.execute("update entries set body = replace(body, 'Kiln shed', 'Glaze shed') where number = 1")
    db.close()
    done = run("audit", "job.db", cwd=tmp_path)
    assert done.returncode == 4
    assert "1" in done.stdout + done.stderr


def test_a_truncated_logbook_is_damaged(tmp_path: Path) -> None:
    start(tmp_path)
    data = (tmp_path / "job.db").read_bytes()
    (tmp_path / "cut.db").write_bytes(data[: len(data) // 2])
    done = run("audit", "cut.db", cwd=tmp_path)
    assert done.returncode == 4
    one_sentence(done.stderr)


def test_a_second_writer_is_refused_and_told_who_holds_it(tmp_path: Path) -> None:
    start(tmp_path)
    with recording("job.db", "keyed:", tmp_path) as recorder:
        recorder.event("ready")
        done = run("capture", "job.db", "--from", "keyed:", cwd=tmp_path)
        assert done.returncode == 2
        assert str(recorder.child.pid) in one_sentence(done.stderr)


def test_lines_that_are_no_steps_are_refused_and_change_nothing(tmp_path: Path) -> None:
    start(tmp_path)
    lines = ["{", "7", '"take"', "[]", '{"do":"fly"}', "\x00", "{" * 5000, '{"do":"note","text":"' + "x" * 20000 + '"}']
    done = run("capture", "job.db", "--json", "--from", "keyed:", cwd=tmp_path, text="\n".join(lines))
    assert done.returncode == 0
    assert done.stdout.count('"event":"refused"') == len(lines)
    assert run("audit", "job.db", cwd=tmp_path).returncode == 0


def test_the_rest_of_a_line_that_is_too_long_is_no_step(tmp_path: Path) -> None:
    start(tmp_path)
    text = "x" * 200_000 + '{"do":"note","text":"slipped in"}\n{"do":"note","text":"meant"}\n'
    done = run("capture", "job.db", "--json", "--from", "keyed:", cwd=tmp_path, text=text)
    assert "slipped in" not in done.stdout
    assert done.stdout.count('"event":"noted"') == 1


def test_a_logbook_that_was_emptied_is_altered(tmp_path: Path) -> None:
    start(tmp_path)
    with sqlite3.connect(tmp_path / "job.db") as db:
        kept = db.execute("select name, sql from sqlite_master where type = 'trigger'").fetchall()
        for name, _ in kept:
            db.execute(f'drop trigger "{name}"')
        db.execute("delete from entries")
        for _, sql in kept:
            db.execute(sql)
    db.close()
    assert run("audit", "job.db", cwd=tmp_path).returncode == 4


def test_an_unknown_command_or_option(tmp_path: Path) -> None:
    for words in (["fly"], ["new"], ["capture", "job.db"], ["--fast"]):
        done = run(*words, cwd=tmp_path)
        assert done.returncode == 2
        one_sentence(done.stderr)
