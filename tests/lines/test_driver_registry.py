"""Finding drivers: from real distributions in a folder on the path, ours, strangers', broken and doubled ones."""

from __future__ import annotations

import argparse
import importlib
import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers import registry
from drivers.meter_line import DRIVER
from logger.errors import InputWrong
from tui.cli import drivers as drivers_command

GOOD = """
class Driver:
    name = "studio"
    api_version = 1
    def converse(self, line, rate, resume):
        return None
DRIVER = Driver()
"""

Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Install:
    """Install a distribution that offers one driver."""
    monkeypatch.syspath_prepend(str(tmp_path))

    def one(distribution: str, name: str, source: str, value: str = "DRIVER", version: str = "2.1") -> None:
        module = "plugin_" + distribution.replace("-", "_")
        monkeypatch.delitem(sys.modules, module, raising=False)
        (tmp_path / f"{module}.py").write_text(source)
        info = tmp_path / f"{distribution.replace('-', '_')}-{version}.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {distribution}\nVersion: {version}\n")
        (info / "entry_points.txt").write_text(f"[{registry.GROUP}]\n{name} = {module}:{value}\n")
        importlib.invalidate_caches()

    return one


def test_our_own_driver_is_found_like_any_other() -> None:
    assert "meter-line" in registry.names()
    assert registry.load("meter-line") is DRIVER
    assert registry.version_of("meter-line").startswith("zerofirst ")


def test_a_plug_in_is_listed_without_being_imported(install: Install) -> None:
    install("studio-meters", "studio", "raise RuntimeError('imported')")
    assert "studio" in registry.names()
    assert registry.version_of("studio") == "studio-meters 2.1"
    assert "plugin_studio_meters" not in sys.modules


@pytest.mark.parametrize("value", ["DRIVER", "Driver"])
def test_a_plug_in_may_offer_an_object_or_a_class(install: Install, value: str) -> None:
    install("studio-meters", "studio", GOOD, value)
    assert registry.load("studio").name == "studio"


def test_an_unknown_name_is_answered_with_the_known_ones(install: Install) -> None:
    install("studio-meters", "studio", GOOD)
    with pytest.raises(InputWrong, match="installed are: meter-line, studio") as refused:
        registry.load("other\x1b[2J")
    assert "\x1b" not in str(refused.value)
    assert refused.value.exit_code == 2


BROKEN = [
    ("raise RuntimeError('no \x1b[31mluck')", "DRIVER", "cannot be loaded"),
    ("import no_such_module_of_ours", "DRIVER", "no_such_module_of_ours"),
    ("raise SystemExit(3)", "DRIVER", "cannot be loaded"),
    ("", "DRIVER", "cannot be loaded"),
    ("def (", "DRIVER", "cannot be loaded"),
    ("DRIVER = 5", "DRIVER", "is no driver"),
    (GOOD.replace("api_version = 1", "api_version = 99"), "DRIVER", "version 99 of drivers, this is 1"),
    (GOOD.replace("api_version = 1", ""), "DRIVER", "version None of drivers"),
    (GOOD.replace("def converse", "def talk"), "DRIVER", "is no driver"),
]


@pytest.mark.parametrize(("source", "value", "says"), BROKEN)
def test_a_broken_plug_in_is_named_and_hides_no_other(install: Install, source: str, value: str, says: str) -> None:
    install("studio-meters", "studio", source, value)
    with pytest.raises(InputWrong, match=says) as refused:
        registry.load("studio")
    assert "studio-meters 2.1" in str(refused.value)
    assert "\x1b" not in str(refused.value)
    offers = {offer.name: offer for offer in registry.scan()}
    assert says in offers["studio"].error
    assert offers["meter-line"].error == ""


def test_two_distributions_with_one_name_are_both_named(install: Install) -> None:
    install("studio-meters", "studio", GOOD)
    install("kiln-meters", "studio", GOOD)
    for ask in (registry.load, registry.version_of):
        with pytest.raises(InputWrong, match="offered by kiln-meters and studio-meters: uninstall all but one"):
            ask("studio")
    doubled = [offer for offer in registry.scan() if offer.name == "studio"]
    assert [offer.distribution for offer in doubled] == ["kiln-meters", "studio-meters"]
    assert all("offered by" in offer.error for offer in doubled)
    assert registry.names().count("studio") == 1


def call(*words: str) -> int:
    parser = argparse.ArgumentParser()
    drivers_command.add_parser(parser.add_subparsers())
    arguments = parser.parse_args(["drivers", *words])
    return int(arguments.run(arguments))


def test_the_command_lists_good_and_broken(install: Install, capsys: pytest.CaptureFixture[str]) -> None:
    install("studio-meters", "studio", "raise RuntimeError('no luck')")
    assert call() == 0
    lines = capsys.readouterr().out.splitlines()
    assert any(line.startswith("meter-line") and "✗" not in line for line in lines)
    assert any(line.startswith("studio") and "no luck" in line for line in lines)
    assert call("--json") == 0
    listed = json.loads(capsys.readouterr().out)["drivers"]
    assert [(offer["name"], bool(offer["error"])) for offer in listed] == [("meter-line", False), ("studio", True)]
