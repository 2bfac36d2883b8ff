"""What is loaded when: a command must not pay for what it does not use. Proven in fresh interpreters."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = ("textual", "rich", "bleak", "pint", "serial", "sqlite_utils", "cryptography")


def loaded_after(code: str) -> set[str]:
    script = f"import sys, io\n{code}\nsys.stdout = sys.__stdout__\nprint(','.join(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True)
    return {name.partition(".")[0] for name in done.stdout.strip().splitlines()[-1].split(",")}


HELP = """
sys.stdout = io.StringIO()
from tui.cli.main import main
try:
    main([WORDS])
except SystemExit:
    pass
"""


@pytest.mark.parametrize("words", ['"--help"', '"capture", "--help"', '"--version"', '"new", "--help"'])
def test_help_loads_nothing_heavy(words: str) -> None:
    assert loaded_after(HELP.replace("WORDS", words)) & set(HEAVY) == set()


@pytest.mark.parametrize(
    ("module", "forbidden"),
    [
        ("drivers.codecs.meter_line", {*HEAVY, "asyncio", "socket", "sqlite3"}),
        ("drivers.instrument", {*HEAVY, "asyncio", "socket", "sqlite3"}),
        ("logger.recorder.core", {*HEAVY, "asyncio", "socket"}),
        ("tui.wiring", {"textual", "rich", "bleak", "pint", "serial", "sqlite_utils"}),
        ("tui.app", {"bleak", "pint", "serial", "sqlite_utils"}),
        ("logger.logbook.writer", {"sqlite_utils", "textual", "pint"}),
    ],
)
def test_importing_a_room_does_not_open_the_others(module: str, forbidden: set[str]) -> None:
    assert loaded_after(f"import {module}") & forbidden == set()
