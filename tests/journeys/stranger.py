"""A stranger's meter and a stranger's operator: they know the published contracts and import nothing of the project.

`StrangerMeter` speaks the Meter Line Protocol on TCP or a pseudo-terminal from a thread; the test moves its knobs.
`Recorder` runs the installed command and talks JSON lines with it.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import re
import select
import socket
import subprocess
import sys
import threading
import tty
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

WAIT_S = 25.0
"""Longest that a test waits for something that must come; only a failure ever waits so long."""


def frame(kind: str, **fields: object) -> bytes:
    """One frame of the protocol, written from its text alone."""
    body = " ".join([kind, *(f"{name.rstrip('_')}={escape(str(value))}" for name, value in fields.items())])
    return f"@{body}*{zlib.crc32(body.encode()):08X}\n".encode()


def escape(text: str) -> str:
    return "".join(chr(b) if 0x21 <= b <= 0x7E and chr(b) not in "%*=@" else f"%{b:02X}" for b in text.encode("utf-8"))


class StrangerMeter:
    """One meter. Knobs are plain attributes; `lock` guards what a test changes while it streams."""

    def __init__(self, serial: str = "S-77", boot: str = "aa01", *, talks_only: bool = False) -> None:
        self.serial, self.boot, self.talks_only = serial, boot, talks_only
        self.maker, self.model, self.leads = "Example Works", "Bench 1", "A"
        self.function, self.value, self.unit, self.relation, self.vt = "insulation", "412", "MOhm", "eq", "500"
        self.flags, self.range = "steady", ""
        self.extra: dict[str, str] = {}
        self.n = 0
        self.ms = 0
        self.rate = 0.0
        self.memory: dict[int, bytes] = {}
        self.swallow: set[int] = set()
        self.received: list[str] = []
        self.lock = threading.RLock()
        self.connections = 0
        self.mute = False
        self.functions = [
            frame(
                "fn",
                fn="insulation",
                rg="1",
                u="MOhm",
                min="0",
                max="20",
                res="0.01",
                acc="3",
                dig="2",
                vt="250,500,1000",
            ),
            frame(
                "fn",
                fn="insulation",
                rg="2",
                u="MOhm",
                min="0",
                max="1000",
                res="1",
                acc="3",
                dig="2",
                vt="250,500,1000",
            ),
            frame("fn", fn="continuity", rg="1", u="Ohm", min="0", max="20", res="0.01", acc="2", dig="2"),
        ]
        self._send: Callable[[bytes], None] | None = None
        self._stop = threading.Event()
        self._drop = threading.Event()
        self._threads: list[threading.Thread] = []

    # -- the wire --

    def ident(self) -> bytes:
        return frame(
            "id",
            proto=1,
            maker=self.maker,
            model=self.model,
            serial=self.serial,
            fw="1.0",
            boot=self.boot,
            cal="2030-01-31",
            batt=88,
            leads=self.leads,
        )

    def reading(self) -> bytes:
        self.n += 1
        self.ms += 100
        fields: dict[str, object] = {"n": self.n, "t": self.ms, "fn": self.function}
        if self.range:
            fields["rg"] = self.range
        fields |= {"r": self.relation, "v": self.value, "u": self.unit}
        if self.function == "insulation":
            fields["vt"] = self.vt
        fields |= self.extra
        if self.flags:
            fields["f"] = self.flags
        self.memory[self.n] = frame("rd", **fields)
        return self.memory[self.n]

    def event(self, name: str, **more: object) -> None:
        """Tell an event now."""
        with self.lock:
            self.n += 1
            self.memory[self.n] = frame("ev", n=self.n, t=self.ms, ev=name, **more)
            self.send(self.memory[self.n])

    def reboot(self, boot: str) -> None:
        with self.lock:
            self.boot, self.n, self.ms = boot, 0, 0
            self.memory.clear()
            self.send(self.ident())

    def send(self, data: bytes) -> None:
        send = self._send
        if send is not None and not self.mute:
            with contextlib.suppress(OSError):
                send(data)

    def drop_line(self) -> None:
        """Break the connection; the next one may come."""
        self._drop.set()

    def show(self, value: str, relation: str = "eq", **knobs: str) -> None:
        """What the leads are on now."""
        with self.lock:
            self.value, self.relation = value, relation
            for name, knob in knobs.items():
                setattr(self, name, knob)

    def _answer(self, line: str) -> None:
        self.received.append(line)
        match = re.fullmatch(r"@([a-z]+)((?: [a-z-]+=\S*)*)\*([0-9A-F]{8})\r?", line)
        if not match or f"{zlib.crc32(line[1 : line.rindex('*')].encode()):08X}" != match[3]:
            self.received.append("BAD " + line)
            return
        said = dict(pair.split("=", 1) for pair in match[2].split())
        with self.lock:
            if match[1] == "ask" and said.get("what") == "id":
                self.send(self.ident() + frame("end", of="id"))
            elif match[1] == "ask" and said.get("what") == "functions":
                self.send(b"".join(self.functions) + frame("end", of="functions"))
            elif match[1] == "ask" and said.get("what") == "stored":
                for n in range(int(said["from"]), int(said["to"]) + 1):
                    if n in self.memory:
                        self.send(self._stored(self.memory[n]))
                self.send(frame("end", of="stored"))
            elif match[1] == "run":
                self.rate = float(said["rate"])
            elif match[1] == "halt":
                self.rate = 0.0
            else:
                self.send(frame("err", why="unknown command"))

    @staticmethod
    def _stored(sent: bytes) -> bytes:
        body = sent[1 : sent.rindex(b"*")].decode()
        if body.startswith("rd "):
            body = re.sub(r" f=(\S*)", r" f=\1,stored", body) if " f=" in body else body + " f=stored"
        return f"@{body}*{zlib.crc32(body.encode()):08X}\n".encode()

    # -- carriers --

    def on_tcp(self) -> str:
        """Listen; the URL to record from."""
        server = socket.create_server(("127.0.0.1", 0))
        self._start(self._serve_tcp, server)
        return f"tcp:127.0.0.1:{server.getsockname()[1]}"

    def on_pty(self) -> str:
        """A pseudo-terminal; the URL to record from."""
        master, slave = os.openpty()
        tty.setraw(slave)
        path = os.ttyname(slave)
        self._start(self._serve_pty, master, slave)
        return f"serial:{path}"

    def stop(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(5)

    def _start(self, target: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=target, args=arguments, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _serve_tcp(self, server: socket.socket) -> None:
        server.settimeout(0.1)
        with server:
            while not self._stop.is_set():
                try:
                    peer, _ = server.accept()
                except TimeoutError:
                    continue
                with peer:
                    self._talk(peer.fileno(), peer.sendall)

    def _serve_pty(self, master: int, slave: int) -> None:
        def write(data: bytes) -> None:
            os.write(master, data)

        while not self._stop.is_set():
            self._talk(master, write)
        os.close(master)
        os.close(slave)

    def _talk(self, descriptor: int, write: Callable[[bytes], None]) -> None:
        self.connections += 1
        self._send, self.rate = write, 10.0 if self.talks_only else 0.0
        self._drop.clear()
        self.send(self.ident())
        if self.talks_only:
            self.send(b"".join(self.functions))
        pending, idle = b"", 0
        while not self._stop.is_set() and not self._drop.is_set():
            period_s = 1 / self.rate if self.rate else 0.1
            readable, _, _ = select.select([] if self.talks_only else [descriptor], [], [], period_s)
            if readable:
                try:
                    data = os.read(descriptor, 4096)
                except OSError:
                    break
                if not data:
                    break
                *lines, pending = (pending + data).split(b"\n")
                for line in lines:
                    self._answer(line.decode("latin-1"))
            elif self.rate:
                with self.lock:
                    if self.talks_only and self.n % 20 == 0:  # the contract's ten seconds, made short
                        self.send(self.ident() + b"".join(self.functions))
                    sent = self.reading()
                    if self.n not in self.swallow:
                        self.send(sent)
            else:
                idle += 1
                if idle % 15 == 0:
                    self.send(self.ident())
        self._send = None


class Recorder:
    """The installed command as a child; its events as they come."""

    def __init__(self, *arguments: str, cwd: Path) -> None:
        environment = {**os.environ, "ZEROFIRST_KEYS": str(cwd / "keys"), "PYTHONUNBUFFERED": "1"}
        self.child = subprocess.Popen(
            [sys.executable, "-m", "tui", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
            cwd=cwd,
        )
        self.seen: list[dict[str, Any]] = []
        self._queue: queue.Queue[dict[str, Any] | None] = queue.Queue()
        self._ids = 0
        self._reads = threading.Lock()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.child.stdout is not None
        for line in self.child.stdout:
            self._queue.put(json.loads(line))
            with self._reads:
                pass
        self._queue.put(None)

    @contextlib.contextmanager
    def reading_nothing(self) -> Iterator[None]:
        """Meanwhile, its events stay in the pipe (but for one)."""
        with self._reads:
            yield

    def next(self) -> dict[str, Any]:
        event = self._queue.get(timeout=WAIT_S)
        assert event is not None, f"the recorder ended: {self.child.communicate()[1]}"
        self.seen.append(event)
        return event

    def until(self, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The next event of that kind; those before it are kept in `seen`."""
        for _ in range(5000):
            event = self.next()
            if wanted(event):
                return event
        raise AssertionError("it never came")

    def event(self, name: str) -> dict[str, Any]:
        return self.until(lambda event: event["event"] == name)

    def reading(self, **like: object) -> dict[str, Any]:
        """The next reading whose fields are as given."""
        return self.until(
            lambda e: e["event"] == "reading" and all(e.get(name) == value for name, value in like.items())
        )

    def step(self, do: str, **fields: object) -> dict[str, Any]:
        """Do a step and wait for its answer."""
        self._ids += 1
        self.say({"do": do, "id": self._ids, **fields})
        return self.until(lambda event: event.get("id") == self._ids)

    def say(self, step: object) -> None:
        assert self.child.stdin is not None
        self.child.stdin.write((step if isinstance(step, str) else json.dumps(step)) + "\n")
        self.child.stdin.flush()

    def end(self) -> int:
        """Close its input; its exit code."""
        assert self.child.stdin is not None
        self.child.stdin.close()
        code = self.child.wait(WAIT_S)
        while (event := self._queue.get(timeout=WAIT_S)) is not None:
            self.seen.append(event)
        return code

    def kill(self) -> None:
        self.child.kill()
        self.child.wait(WAIT_S)

    def errors(self) -> str:
        assert self.child.stderr is not None
        return self.child.stderr.read()


def run(*arguments: str, cwd: Path, text: str = "") -> subprocess.CompletedProcess[str]:
    """The installed command, to its end."""
    environment = {**os.environ, "ZEROFIRST_KEYS": str(cwd / "keys")}
    return subprocess.run(
        [sys.executable, "-m", "tui", *arguments],
        input=text,
        capture_output=True,
        text=True,
        env=environment,
        cwd=cwd,
        timeout=90,
        check=False,
    )


@contextlib.contextmanager
def recording(logbook: str, url: str, cwd: Path, *more: str) -> Iterator[Recorder]:
    """A recorder on a logbook, ended whatever happens."""
    recorder = Recorder("capture", logbook, "--json", "--from", url, *more, cwd=cwd)
    try:
        yield recorder
    finally:
        if recorder.child.poll() is None:
            recorder.kill()
        for stream in (recorder.child.stdin, recorder.child.stdout, recorder.child.stderr):
            if stream is not None:
                with contextlib.suppress(BrokenPipeError):
                    stream.close()


PLAN = """
[job]
title = "Kiln shed rewire"
kind = "installation"
rules = "iec"
[supply]
system = "TN-C-S"
voltage = 230
[[board]]
id = "DB1"
main_switch = "Q0"
neutral_earth_link = "LK1"
[[circuit]]
id = "C1"
board = "DB1"
name = "Kiln"
protection = { type = "B", rating_a = 32 }
cable = { line_mm2 = 6, earth_mm2 = 2.5, length_m = 14 }
required = ["insulation"]
[[circuit]]
id = "C2"
board = "DB1"
name = "Wheels"
protection = { type = "B", rating_a = 16 }
cable = { line_mm2 = 2.5, earth_mm2 = 2.5, length_m = 22 }
required = ["insulation"]
"""
