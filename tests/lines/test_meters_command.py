"""`meters` and the list of serial ports behind it: de-duplicated, harmless, and never waited for beyond its time."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.address import parse
from drivers.links import serial_list
from drivers.links.serial_list import PortInfo, SerialPort, installed_ports, serial_ports
from tui.cli import meters


@dataclass
class Info:
    device: str
    description: object = "n/a"
    manufacturer: object = None
    product: object = None
    serial_number: object = None
    vid: object = None
    pid: object = None


@dataclass
class Bare:
    device: str


def listed(*infos: PortInfo) -> tuple[tuple[SerialPort, ...], bool]:
    return serial_ports(lister=lambda: infos)


def test_what_a_port_says_is_kept_and_harmless() -> None:
    port = Info("/dev/ttyUSB0", "Kiln\x1b[2J bridge", "Studio\u202e", "Bridge", "A\n1", 0x1A86, 0x7523)
    assert listed(port) == (
        (SerialPort("/dev/ttyUSB0", "Kiln␛[2J bridge", "Studio<U+202E>", "Bridge", "A␊1", 0x1A86, 0x7523),),
        True,
    )


def test_every_field_but_the_name_may_be_missing() -> None:
    assert listed(Bare("COM5"), Info("COM6", vid="odd")) == ((SerialPort("COM5"), SerialPort("COM6")), True)


def test_one_device_under_two_names_is_listed_once(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    link = tmp_path / "a-link"
    link.symlink_to(device)
    other = tmp_path / "other-link"
    other.symlink_to(tmp_path / "elsewhere")
    ports, _ = listed(Info(str(link)), Info(str(device)), Info(str(device)), Info(str(other)))
    assert [port.path for port in ports] == [str(other), str(device)]


def test_a_list_that_hangs_is_left_behind_and_said_to_be_short() -> None:
    release = threading.Event()

    def slow() -> Iterable[PortInfo]:
        yield Bare("COM5")
        release.wait(10)
        yield Bare("COM6")

    started = time.monotonic()
    assert serial_ports(0.1, slow) == ((SerialPort("COM5"),), False)
    assert time.monotonic() - started < 9
    release.set()


def test_a_list_that_fails_is_said_to_be_short() -> None:
    def broken() -> Iterable[PortInfo]:
        yield Bare("COM5")
        raise OSError("registry")

    assert serial_ports(lister=broken) == ((SerialPort("COM5"),), False)


def test_this_machine_can_be_listed() -> None:
    ports, is_whole = serial_ports()
    assert is_whole
    assert len(ports) <= len(list(installed_ports()))


def call(*words: str) -> int:
    parser = argparse.ArgumentParser()
    meters.add_parser(parser.add_subparsers())
    arguments = parser.parse_args(["meters", *words])
    return int(arguments.run(arguments))


@pytest.fixture
def two_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    infos = [Info("/dev/tty 100%?", product="Bridge", manufacturer="Kiln\x1bWorks", serial_number="17", vid=1, pid=2)]
    monkeypatch.setattr(serial_list, "serial_ports", lambda: serial_ports(lister=lambda: [*infos, Bare("COM5")]))


@pytest.mark.usefixtures("two_ports")
def test_the_command_lists_for_a_person(capsys: pytest.CaptureFixture[str]) -> None:
    assert call() == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split(maxsplit=1) == ["serial:/dev/tty", "100%25%3F    Kiln␛Works, Bridge, serial 17, 0001:0002"]
    assert lines[1].split(maxsplit=1) == ["serial:COM5", "says nothing of itself"]


@pytest.mark.usefixtures("two_ports")
def test_the_command_lists_as_json_urls_that_can_be_used(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("--json") == 0
    record = json.loads(capsys.readouterr().out)
    assert record["complete"] is True
    assert [parse(meter["url"]).target for meter in record["meters"]] == ["/dev/tty 100%?", "COM5"]
    assert record["meters"][0]["vendor_id"] == 1


def test_a_list_cut_short_and_an_empty_one_are_explained(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_list, "serial_ports", lambda: ((), False))
    assert call("--json") == 0
    shown = capsys.readouterr()
    record = json.loads(shown.out)
    assert (record["meters"], record["complete"]) == ([], False)
    assert "did not come within 3 s" in shown.err
    monkeypatch.setattr(serial_list, "serial_ports", lambda: ((), True))
    assert call() == 0
    assert "plug the meter" in capsys.readouterr().out


def test_only_a_serial_line_loads_pyserial() -> None:
    program = """
import sys
from drivers.address import parse
from drivers.links.open import link_for
from drivers.line import run_line
from drivers import registry, testing
from logger.clock import SystemClock
link_for(parse("tcp:127.0.0.1:1"), SystemClock())
link_for(parse("replay:x"), SystemClock())
assert not {"serial", "bleak", "textual", "pint"} & set(sys.modules), sorted(sys.modules)
link_for(parse("serial:COM5"), SystemClock())
assert "serial" in sys.modules
"""
    subprocess.run([sys.executable, "-c", program], check=True, timeout=30)
