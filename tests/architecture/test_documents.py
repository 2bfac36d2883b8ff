"""The documents say what the program does: commands, test command, exit codes."""

from __future__ import annotations

import importlib
import re
import shlex
import tomllib
from pathlib import Path

import pytest

from tui.actions import as_markdown
from tui.cli.main import COMMANDS, build_parser

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def test_ci_runs_the_readmes_own_test_command() -> None:
    commands = re.findall(r"^python3 -m venv \.venv && .*pytest.*$", README, re.MULTILINE)
    assert len(commands) == 1
    assert commands[0] in (ROOT / ".ci" / "run").read_text().splitlines()


def test_the_readmes_demo_command_sets_up_and_runs_the_demo() -> None:
    (command,) = re.findall(r"^python3 -m venv \.venv && .*zerofirst demo.*$", README, re.MULTILINE)
    words = shlex.split(command)
    assert ".venv/bin/zerofirst" in words
    assert "install" in words


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_in_the_readme_with_its_words(name: str) -> None:
    assert f"| `{name}` | {COMMANDS[name]} |" in README


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_and_a_run(name: str) -> None:
    module = importlib.import_module(f"tui.cli.{name.replace('-', '_')}")
    assert callable(module.run)
    text = build_parser(name).format_help()
    assert " ".join(COMMANDS[name].split()[:3]) in " ".join(text.split())


def test_the_table_of_keys_is_the_apps_own() -> None:
    assert as_markdown().strip() in README


def test_every_picture_is_there_and_fetches_nothing() -> None:
    pictures = re.findall(r"!\[[^]]*\]\(([^)]+)\)", README)
    assert pictures
    for picture in pictures:
        assert re.search(r"url\(.?http", (ROOT / picture).read_text()) is None


def test_every_dependency_has_its_reason_beside_it() -> None:
    text = (ROOT / "pyproject.toml").read_text()
    project = tomllib.loads(text)["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["browser"]]
    lines = text.splitlines()
    for dependency in wanted:
        (line,) = [line for line in lines if f'"{dependency}"' in line]
        assert "#" in line, dependency


def test_the_map_names_every_room() -> None:
    rooms = [p for package in ("logger", "drivers", "tui") for p in (ROOT / package).iterdir() if p.is_dir()]
    missing = [
        f"{p.parent.name}/{p.name}" for p in rooms if (p / "__init__.py").exists() and f"{p.name}/" not in DEVELOPERS
    ]
    assert missing == []
