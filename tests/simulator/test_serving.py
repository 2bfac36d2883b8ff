"""A meter on a real line: TCP and a real pseudo-terminal, hang-ups and all. Nothing here sleeps: it waits for bytes."""

from __future__ import annotations

import asyncio
import os
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest

from drivers.codecs.meter_line import NEED_DATA, Frame, MeterLineCodec
from drivers.codecs.meter_words import ask_frame, halt_frame, run_frame
from drivers.simulator.catalogue import load_site
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.serve import serve_tcp
from drivers.simulator.thread import Carrier, SimulatorThread
from logger.clock import ManualClock
from logger.errors import InputWrong, InstrumentFailed, LinkFailed, LinkReason

STUDIO = load_site("pottery-studio")
PATIENCE_S = 10.0

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="there are no pseudo-terminals on this system")


def meter(seed: int = 1) -> SimulatedMeter:
    return SimulatedMeter(STUDIO, seed)


class Line:
    """One end of a real line, reading whole frames."""

    def __init__(self, receive: Callable[[], bytes], send: Callable[[bytes], object]) -> None:
        self._receive, self.send = receive, send
        self._codec = MeterLineCodec()

    def until(self, wanted: Callable[[Frame], bool]) -> Frame:
        """The first frame that is wanted; EOFError if the line ends before."""
        while True:
            event = self._codec.next_event()
            if event is NEED_DATA:
                data = self._receive()
                if not data:
                    raise EOFError
                self._codec.receive(data)
            elif isinstance(event, Frame) and wanted(event):
                return event


def of_type(name: str) -> Callable[[Frame], bool]:
    return lambda frame: frame.type == name


@contextmanager
def on_tcp(url: str) -> Iterator[Line]:
    host, _, port = url.removeprefix("tcp:").rpartition(":")
    with socket.create_connection((host, int(port)), PATIENCE_S) as sock:
        yield Line(lambda: sock.recv(4096), sock.sendall)


@contextmanager
def on_pty(url: str) -> Iterator[Line]:
    held = os.open(url.removeprefix("serial:"), os.O_RDWR | os.O_NOCTTY)
    try:
        yield Line(lambda: os.read(held, 4096), lambda data: os.write(held, data))
    finally:
        os.close(held)


Opened = Callable[[str], AbstractContextManager[Line]]
Carried = tuple[Carrier, Opened]
CARRIERS = [pytest.param(("tcp", on_tcp), id="tcp"), pytest.param(("pty", on_pty), id="pty", marks=needs_pty)]


@pytest.mark.parametrize("carrier", CARRIERS)
def test_a_whole_conversation(carrier: Carried) -> None:
    kind, opened = carrier
    with SimulatorThread(meter(), kind) as simulator, opened(simulator.url) as line:
        line.send(ask_frame("id"))
        assert line.until(of_type("id")).fields["serial"] == "0417"
        line.send(ask_frame("functions"))
        assert line.until(of_type("end")).fields["of"] in ("id", "functions")
        line.send(run_frame(100))
        first = line.until(of_type("rd"))
        assert (first.fields["r"], first.fields["v"]) == ("gt", "1000")
        assert simulator.command("leads short") == "The leads are short."
        assert line.until(lambda frame: frame.fields.get("v") == "0.00").fields["u"] == "MOhm"
        line.send(halt_frame())
        line.send(ask_frame("stored", 1, 1))
        assert line.until(lambda frame: "stored" in frame.fields.get("f", "")).fields["n"] == "1"


@pytest.mark.parametrize("carrier", CARRIERS)
def test_a_pulled_line_ends_and_is_back_under_the_same_url(carrier: Carried) -> None:
    kind, opened = carrier
    with SimulatorThread(meter(), kind) as simulator:
        with opened(simulator.url) as line:
            line.send(run_frame(50))
            before = line.until(of_type("rd"))
            simulator.command("drop 0.3")
            with pytest.raises((EOFError, OSError)):
                line.until(of_type("never"))
        after = first_after_the_gap(simulator, opened)
        assert int(after.fields["n"]) > int(before.fields["n"]) + 5, "it went on measuring"


def first_after_the_gap(simulator: SimulatorThread, opened: Opened) -> Frame:
    """Open the line again and again, as a recorder does, until it stands."""
    for _ in range(100_000):
        try:
            with opened(simulator.url) as line:
                return line.until(of_type("rd"))
        except (EOFError, OSError):
            continue
    raise AssertionError("the line did not come back")


@needs_pty
def test_a_terminal_can_be_closed_and_opened_again_while_the_meter_goes_on() -> None:
    with SimulatorThread(meter()) as simulator:
        with on_pty(simulator.url) as line:
            line.send(run_frame(50))
            before = line.until(of_type("rd"))
        with on_pty(simulator.url) as line:
            after = line.until(lambda frame: frame.type == "rd" and frame.fields["n"] != before.fields["n"])
            assert int(after.fields["n"]) > int(before.fields["n"])


@needs_pty
def test_the_terminal_is_raw_so_that_nothing_is_echoed() -> None:
    with SimulatorThread(meter()) as simulator, on_pty(simulator.url) as line:
        line.send(ask_frame("id"))
        line.until(lambda frame: frame.type == "end")
        line.send(b"@dance*00000000\n" + ask_frame("functions"))
        assert line.until(lambda frame: frame.type in ("err", "end")).fields["of"] == "functions"


@needs_pty
def test_stopping_takes_the_path_away() -> None:
    simulator = SimulatorThread(meter())
    path = Path(simulator.url.removeprefix("serial:"))
    assert path.exists()
    simulator.stop()
    simulator.stop()
    assert not simulator.alive
    assert not path.parent.exists()
    for call in (simulator.command, simulator.perform):
        with pytest.raises(InstrumentFailed, match="has stopped"):
            call("help")


def test_one_host_at_a_time_and_the_next_when_it_is_gone() -> None:
    with SimulatorThread(meter(), "tcp") as simulator:
        with on_tcp(simulator.url) as line:
            line.send(ask_frame("id"))
            line.until(of_type("end"))
            with pytest.raises((EOFError, ConnectionError)), on_tcp(simulator.url) as second:
                second.send(ask_frame("id"))
                second.until(of_type("end"))
            line.send(ask_frame("functions"))
            line.until(of_type("end"))
        for _ in range(10_000):
            try:
                with on_tcp(simulator.url) as line:
                    line.send(ask_frame("id"))
                    line.until(of_type("end"))
                    break
            except (EOFError, ConnectionError):
                continue
        else:
            raise AssertionError("the next host was not let in")


def test_a_port_that_is_taken_says_so() -> None:
    with SimulatorThread(meter(), "tcp") as simulator:
        port = int(simulator.url.rpartition(":")[2])
        with pytest.raises(LinkFailed, match="taken by another program") as caught:
            SimulatorThread(meter(), "tcp", port)
    assert caught.value.reason is LinkReason.BUSY
    with pytest.raises(LinkFailed):
        SimulatorThread(meter(), "tcp", 70_000)


def test_no_other_machine_is_listened_to() -> None:
    with SimulatorThread(meter(), "tcp") as simulator:
        assert simulator.url.startswith("tcp:127.0.0.1:")
        port = int(simulator.url.rpartition(":")[2])
        with pytest.raises(OSError), socket.create_connection(("127.0.0.2", port), 1):
            pass


def test_a_complaint_is_told_or_raised() -> None:
    with SimulatorThread(meter(), "tcp") as simulator:
        assert "no item C9" in simulator.command("leads C9")
        with pytest.raises(InputWrong, match="no item C9"):
            simulator.perform("leads C9")
        assert simulator.perform("leads short") == "The leads are short."


def test_the_hands_clock_is_the_one_that_counts() -> None:
    """On a clock that stands still nothing comes; moved on by ten seconds, ten seconds' worth comes."""

    async def main() -> list[str]:
        clock = ManualClock()
        async with serve_tcp(meter(), 0, clock) as served:
            reader, writer = await asyncio.open_connection("127.0.0.1", int(served.url.rpartition(":")[2]))
            writer.write(run_frame(2) + ask_frame("id"))
            while not (await reader.readline()).startswith(b"@end"):
                pass
            times = []
            for _ in range(10):
                clock.advance(1)
                times += [(await reader.readline()).decode().split()[2] for _ in range(2)]
            writer.close()
            await writer.wait_closed()
            return times

    times = asyncio.run(asyncio.wait_for(main(), PATIENCE_S))
    assert [int(time.removeprefix("t=")) for time in times] == list(range(500, 10_001, 500))


def test_a_host_that_does_not_read_holds_nothing_up() -> None:
    with SimulatorThread(meter(), "tcp") as simulator, on_tcp(simulator.url) as line:
        line.send(run_frame(500) + ask_frame("stored", 1, 10**6) * 8)
        for _ in range(200):
            assert simulator.command("leads short") == "The leads are short."


def test_a_system_without_pseudo_terminals_is_told_to_use_tcp(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "openpty", raising=False)
    with pytest.raises(LinkFailed, match="serve on TCP instead"):
        SimulatorThread(meter())


def test_no_thread_is_left_behind() -> None:
    import threading

    before = threading.active_count()
    for _ in range(3):
        SimulatorThread(meter(), "tcp").stop()
    assert threading.active_count() == before
    assert sys.exc_info() == (None, None, None)
