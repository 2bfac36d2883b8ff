"""`watch`: frames decoded and raw, for a person and as JSON; every way it ends; hostile text; what it keeps."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from line_parts import PlainMeter

from drivers import line, registry
from drivers.api import Driver
from drivers.codecs.meter_line import encode
from drivers.links.base import Chunk
from drivers.links.capture_file import CaptureWriter
from logger.clock import ManualClock
from logger.errors import InputWrong, LinkFailed, LinkLost
from logger.happening import Damaged, Identified, RawBytes, Read
from logger.quantity import Displayed, Function
from logger.reading import Identity, Reading
from tui.cli import watch
from tui.cli.watch_lines import Lines

HOSTILE = "Kiln\x1b[31m[/]\u202eevil"


class SocketEnd:
    """The meter's end of a TCP connection, as a link."""

    can_send = True

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer

    async def open(self) -> None: ...

    async def receive(self) -> Chunk:
        data = await self._reader.read(4096)
        if not data:
            raise LinkLost("gone")
        return Chunk(data, 0)

    async def send(self, data: bytes) -> None:
        self._writer.write(data)

    async def close(self) -> None:
        self._writer.close()


class Served:
    """A meter on TCP in a thread of its own: says who it is, and sends a reading whenever it is told to run."""

    def __init__(self, noise: bytes = b"") -> None:
        self.noise = noise
        self.asked: list[str] = []
        self.port = 0
        self._up = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        self._up.wait(5)

    def _run(self) -> None:
        self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self) -> None:
        self._done = asyncio.Event()
        server = await asyncio.start_server(self._host, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        self._up.set()
        await self._done.wait()
        server.close()
        await server.wait_closed()

    async def _host(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        meter = PlainMeter(SocketEnd(reader, writer), model=HOSTILE)
        meter.asked = self.asked
        streaming = asyncio.ensure_future(self._stream(meter))
        await meter.serve()
        streaming.cancel()
        writer.close()
        self._done.set()

    async def _stream(self, meter: PlainMeter) -> None:
        if self.noise:
            await meter.link.send(self.noise)
        while True:
            await asyncio.sleep(0.01)
            if meter.rate:
                await meter.read()

    def wait(self) -> None:
        self._thread.join(5)


def call(*words: str) -> int:
    parser = argparse.ArgumentParser()
    watch.add_parser(parser.add_subparsers())
    arguments = parser.parse_args(["watch", *words])
    return int(arguments.run(arguments))


def capture(path: Path, data: bytes) -> str:
    writer = CaptureWriter(path)
    writer.write(Chunk(data, 1))
    writer.close()
    return f"replay:{path}"


IDENTITY = {"proto": "1", "maker": "Kiln Works", "model": HOSTILE, "serial": "0417", "fw": "1", "boot": "b"}
READING = {"n": "7", "t": "1", "fn": "insulation", "rg": "3", "r": "gt", "v": "1000", "u": "MOhm", "vt": "500"}
STREAM = (
    encode("id", IDENTITY)
    + encode("rd", READING | {"vm": "541", "f": "steady"})
    + b"no\x1b[2Jise\xff\n"
    + encode("rd", READING).replace(b"v=1000", b"v=1001")
    + encode("rd", READING | {"v": "heavy"})
    + encode("ev", {"n": "8", "t": "2", "ev": "fault", "why": "fuse\x07"})
    + encode("end", {"of": "id"})
    + encode("err", {"why": "no"})
    + encode("later", {"x": "1"})
    + encode("run", {"rate": "5"})
    + b"@half"
)


def test_every_kind_of_frame_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(capture(tmp_path / "c", STREAM), "--json") == 0
    out = capsys.readouterr().out
    lines = [json.loads(line) for line in out.splitlines()]
    assert all(set(line) - {"why"} == {"at", "type", "fields", "raw", "ok"} for line in lines)
    kinds = [(line["type"], line["ok"]) for line in lines]
    assert kinds == [
        ("id", True),
        ("rd", True),
        ("", False),
        ("", False),
        ("rd", False),
        ("ev", True),
        ("end", True),
        ("err", True),
        ("later", True),
        ("run", True),
        ("", False),
    ]
    assert lines[0]["fields"]["model"] == HOSTILE
    assert lines[1]["raw"].startswith("@rd n=7 t=1")
    assert lines[1]["raw"].encode() + b"\n" in STREAM
    assert [line.get("why") for line in lines if not line["ok"]] == [
        "no frame",
        "wrong check",
        "not a number: v",
        "cut short",
    ]


def test_every_kind_of_frame_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(capture(tmp_path / "c", STREAM)) == 0
    shown = capsys.readouterr()
    lines = shown.out.splitlines()
    assert len(lines) == 11
    for wanted in (
        "Kiln Works Kiln␛[31m[/]<U+202E>evil, serial 0417, boot b",
        "7: insulation >1000 MΩ 500 V (541 V measured) steady",
        "damaged: no frame",
        "damaged: wrong check",
        "makes no sense: not a number: v",
        "8: fault: fuse␇",
        "end of its answer to id",
        "will not do it: no",
        "later: not in this version of the protocol",
        "run: a command, which no meter sends",
    ):
        assert sum(wanted in line for line in lines) == 1, wanted
    assert not any(ord(character) < 32 or character == "\u202e" for line in lines for character in line)
    assert "at its end" in shown.err


def test_a_meter_on_the_network_is_asked_read_and_halted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    meter = Served()
    saved = tmp_path / "saved.jsonl"
    assert call(f"tcp:127.0.0.1:{meter.port}", "--json", "--seconds", "0.4", "--save", str(saved)) == 0
    meter.wait()
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert all(line["ok"] for line in lines)
    assert [line["fields"]["n"] for line in lines if line["type"] == "rd"][:3] == ["1", "2", "3"]
    assert meter.asked == ["ask id", "ask functions", "run", "halt"]
    assert call(f"replay:{saved}", "--json") == 0
    again = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line["raw"] for line in again] == [line["raw"] for line in lines]


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A meter is tried for 0.3 s instead of 15."""
    patient = line.run_line

    async def hurried(*words: object, **options: object) -> None:
        await patient(*words, **options, first_try_s=0.3)  # type: ignore[arg-type]

    monkeypatch.setattr(line, "run_line", hurried)


@pytest.mark.usefixtures("impatient")
def test_a_meter_that_only_makes_noise_is_watched_all_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    with _listener(b"\xffnoise\n") as port:
        assert call(f"tcp:127.0.0.1:{port}", "--json", "--seconds", "0.8") == 0
    assert [json.loads(text)["ok"] for text in capsys.readouterr().out.splitlines()] == [False]


@contextlib.contextmanager
def _listener(greeting: bytes) -> Iterator[int]:
    listener = socket.create_server(("127.0.0.1", 0))

    def greet() -> None:
        connection, _ = listener.accept()
        with connection:
            connection.sendall(greeting)
            while connection.recv(4096):
                pass

    greeting_thread = threading.Thread(target=greet, daemon=True)
    greeting_thread.start()
    yield listener.getsockname()[1]
    greeting_thread.join(5)
    listener.close()


@pytest.mark.usefixtures("impatient")
def test_a_meter_that_is_silent_is_an_error_of_exit_code_3() -> None:
    with _listener(b"") as port, pytest.raises(LinkFailed, match="does not answer") as failed:
        call(f"tcp:127.0.0.1:{port}")
    assert failed.value.exit_code == 3


def test_a_time_to_watch_that_brought_nothing_is_no_success(capsys: pytest.CaptureFixture[str]) -> None:
    with _listener(b"") as port, pytest.raises(LinkFailed, match="Not a byte came"):
        call(f"tcp:127.0.0.1:{port}", "--seconds", "0.2")
    with pytest.raises(LinkFailed, match="takes no connection"):
        call(f"tcp:127.0.0.1:{port}", "--seconds", "0.2")
    assert capsys.readouterr().out == ""


@pytest.mark.usefixtures("impatient")
def test_a_meter_that_is_not_there_is_an_error_of_exit_code_3(capsys: pytest.CaptureFixture[str]) -> None:
    listener = socket.create_server(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    listener.close()
    with pytest.raises(LinkFailed, match="takes no connection") as failed:
        call(f"tcp:127.0.0.1:{port}", "--json")
    assert failed.value.exit_code == 3
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.count("Trying again") == 1


@pytest.mark.parametrize("url", ["keyed:", "nothing", "replay:no-such-file", "tcp:a:1?driver=no"])
def test_what_cannot_be_watched_is_refused(url: str) -> None:
    with pytest.raises(InputWrong):
        call(url)


@pytest.mark.parametrize("seconds", ["0", "-1", "inf", "nan", "soon"])
def test_the_time_to_watch_must_be_a_time(seconds: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        call("tcp:a:1", "--seconds", seconds)
    assert f"{seconds} is no number of seconds above 0" in capsys.readouterr().err


def test_a_file_that_exists_is_not_overwritten(tmp_path: Path) -> None:
    url = capture(tmp_path / "c", STREAM)
    kept = tmp_path / "kept"
    kept.write_text("mine")
    with pytest.raises(InputWrong, match="exists already"):
        call(url, "--save", str(kept))
    assert kept.read_text() == "mine"


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize("way", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_well_when_told_to_and_halts_the_meter(way: signal.Signals) -> None:
    meter = Served()
    words = [sys.executable, "-m", "tui.cli.main", "watch", f"tcp:127.0.0.1:{meter.port}", "--json"]
    program = "import sys; from tui.cli.main import main; sys.exit(main(sys.argv[1:]))"
    watching = subprocess.Popen(
        [sys.executable, "-c", program, *words[3:]], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert watching.stdout is not None
    while json.loads(watching.stdout.readline())["type"] != "rd":
        pass
    watching.send_signal(way)
    _, errors = watching.communicate(timeout=60)
    assert (watching.returncode, errors) == (0, "")
    meter.wait()
    assert meter.asked[-1] == "halt"


def test_another_driver_shows_what_it_made_of_the_bytes(capsys: pytest.CaptureFixture[str]) -> None:
    lines = Lines(ManualClock(), as_json=True, is_meter_line=False)
    reading = Reading(3, Function.CONTINUITY, Displayed("0.35", "Ohm"))
    data = os.urandom(100) + b"R=0.35"
    lines.show([RawBytes("x", 0, data, 0), Identified("x", 0, Identity("9", ""), True)])
    lines.show([Read("x", 0, "9", "", reading, False, 100, 106), Damaged("x", 0, 0, 2, "no frame")])
    shown = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line["type"] for line in shown] == ["identity", "reading", ""]
    assert shown[1]["raw"] == "R=0.35"
    assert [line["ok"] for line in shown] == [True, True, False]


def test_the_driver_of_the_url_is_the_one_that_talks(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    asked: list[str] = []

    def load(name: str) -> Driver:
        asked.append(name)
        return original(name)

    original = registry.load
    monkeypatch.setattr(registry, "load", load)
    assert call(capture(tmp_path / "c", STREAM) + "?driver=meter-line") == 0
    assert asked == ["meter-line"]
