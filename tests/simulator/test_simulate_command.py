"""`zerofirst simulate` as installed: what it prints, what it takes, how it ends."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from booth_site import PERFECT, site_of

from drivers.codecs.meter_words import ask_frame

ROOT = Path(__file__).parents[2]


@contextmanager
def simulate(*words: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "tui", "simulate", *words],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    with process:
        try:
            yield process
        finally:
            process.kill()


def line_of(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().rstrip("\n")


def say(process: subprocess.Popen[str], text: str) -> None:
    assert process.stdin is not None
    process.stdin.write(f"{text}\n")
    process.stdin.flush()


def ended(process: subprocess.Popen[str], how: signal.Signals) -> int:
    process.send_signal(how)
    return process.wait(timeout=20)


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_it_prints_the_url_takes_commands_and_ends_when_told(how: signal.Signals) -> None:
    with simulate("pottery-studio", "--tcp", "0", "--seed", "7") as process:
        assert line_of(process) == "Meter 0417 on Pottery studio, seed 7. Open it by"
        url = line_of(process)
        assert url.startswith("tcp:127.0.0.1:")
        line_of(process)
        say(process, "leads short")
        assert line_of(process) == "The leads are short."
        say(process, "")
        say(process, "leads \x1b[31m")
        assert line_of(process).startswith("There is no item ␛[31m on this site: put the leads on one of DB1")
        with socket.create_connection(("127.0.0.1", int(url.rpartition(":")[2])), 10) as sock:
            sock.sendall(ask_frame("id"))
            assert sock.recv(4096).startswith(b"@id proto=1")
        assert ended(process, how) == 0
        assert process.stderr is not None
        assert process.stderr.read() == ""


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="there are no pseudo-terminals on this system")
def test_the_end_of_its_input_is_not_its_end() -> None:
    with simulate("tool-store", "--pty") as process:
        line_of(process)
        path = line_of(process).removeprefix("serial:")
        assert process.stdin is not None
        process.stdin.close()
        held = os.open(path, os.O_RDWR | os.O_NOCTTY)
        os.write(held, ask_frame("id"))
        assert os.read(held, 4096).startswith(b"@id")
        os.close(held)
        assert process.poll() is None
        assert ended(process, signal.SIGTERM) == 0
        assert not Path(path).parent.exists()


def failed(*words: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "tui", "simulate", *words],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, cwd=ROOT, check=False,
    )  # fmt: skip
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    return done.returncode, done.stderr


def test_what_is_wrong_is_one_sentence_and_an_exit_code(tmp_path: Path) -> None:
    code, told = failed("nowhere")
    assert (code, told.count("\n")) == (2, 1)
    assert "pottery-studio" in told
    for port in ("70000", "-1", "four"):
        assert failed("tool-store", f"--tcp={port}")[0] == 2
    assert failed("tool-store", "--tcp", "0", "--pty")[0] == 2
    assert failed()[0] == 2
    with socket.create_server(("127.0.0.1", 0)) as taken:
        code, told = failed("tool-store", "--tcp", str(taken.getsockname()[1]))
    assert (code, told.count("\n")) == (3, 1)


def test_without_bluetooth_it_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'nobody'}")
    code, told = failed("tool-store", "--ble")
    assert (code, told.count("\n")) == (3, 1)


def test_a_wrong_site_tells_every_fault(tmp_path: Path) -> None:
    site_of(tmp_path)
    (tmp_path / "booth.toml").write_text("[site]\nname = 3\nplan = 'booth.plan.toml'\n[leads]\nohm = -1\nlength = 4\n")
    code, told = failed(str(tmp_path / "booth.toml"))
    assert code == 2
    assert "has 3 faults" in told
    assert told.count("\n") == 4
    assert PERFECT.strip()
