"""The published text says what the code does: its frames, lists, check and figures are read out of it and tried."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from zlib import crc32

import pytest
from wire_tools import VECTORS, only_frame

from drivers.asking import ANSWER_WITHIN_NS, ASKS_AT_MOST
from drivers.codecs.framing import FRAME_BYTES_AT_MOST
from drivers.codecs.meter_words import ASKABLE, RATE_AT_LEAST, RATE_AT_MOST, interpret
from drivers.numbering import GAP_AT_MOST, HOLE_AT_MOST
from drivers.presence import SILENT_AFTER_NS
from logger.clock import NS_PER_S
from logger.quantity import MAX_DIGITS, UNITS, Function
from logger.reading import Flag, Occurrence

TEXT = (Path(__file__).parents[2] / "drivers" / "PROTOCOL.md").read_text(encoding="utf-8")
PARTS = dict(re.findall(r"^#+ ([^\n]+)\n(.*?)(?=^#+ |\Z)", TEXT, re.MULTILINE | re.DOTALL))


def block(part: str, language: str = "") -> str:
    found = re.search(rf"^```{language}\n(.*?)^```", part, re.MULTILINE | re.DOTALL)
    assert found
    return found[1]


def marked(text: str) -> list[str]:
    return re.findall(r"`([^`\s]+)`", text)


def test_the_vectors_in_the_text_are_those_of_the_fixtures() -> None:
    assert block(PARTS["7. Test vectors"]).splitlines() == [row["text"] for row in VECTORS]


def test_every_frame_in_the_text_is_a_frame_and_a_message() -> None:
    frames = re.findall(r"@[a-z][^\n`]*\*[0-9A-F]{8}", TEXT)
    assert len(frames) > len(VECTORS)
    for text in frames:
        interpret(only_frame(text.encode("ascii") + b"\n"))


def test_the_check_in_python_is_the_check() -> None:
    scope: dict[str, object] = {}
    exec(block(PARTS["The check"], "python"), scope)
    check = scope["check"]
    assert callable(check)
    assert check(b"123456789") == 0xCBF43926
    for row in VECTORS:
        body = row["text"][1:-9].encode("ascii")
        assert f"{check(body):08X}" == row["text"][-8:]
        assert check(body) == crc32(body)


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here: the check in C is tried where there is one")
def test_the_check_in_c_is_the_check(tmp_path: Path) -> None:
    source = tmp_path / "check.c"
    main = '#include <stdio.h>\nint main(void) { printf("%08X", (unsigned)check((const uint8_t *)"123456789", 9)); }\n'
    source.write_text(block(PARTS["The check"], "c") + main, encoding="ascii")
    subprocess.run(["cc", "-Wall", "-Werror", "-o", tmp_path / "check", source], check=True, timeout=60)
    said = subprocess.run([tmp_path / "check"], check=True, capture_output=True, timeout=60).stdout
    assert said == b"CBF43926"


def test_the_lists_in_the_text_are_the_closed_lists() -> None:
    units = re.search(r"only these: (.*?)\.\n", PARTS["Numbers and units"], re.DOTALL)
    functions = re.search(r"^Functions: (.*?)\.\n", PARTS["`fn`: one range of one function"], re.DOTALL | re.MULTILINE)
    events = re.search(r"`ev` one of (.*?);", PARTS["`ev`: an event"], re.DOTALL)
    assert units
    assert functions
    assert events
    assert marked(units[1]) == list(UNITS)
    assert marked(functions[1]) == [function.value for function in Function]
    assert marked(events[1]) == [occurrence.value for occurrence in Occurrence]
    flags = re.findall(r"^\| `([a-z]+)` \| ", PARTS["`rd`: a reading"].partition("| flag |")[2], re.MULTILINE)
    assert flags == [flag.value for flag in Flag]
    assert set(re.findall(r"ask what=([a-z]+)", PARTS["3. What a host sends"])) == ASKABLE


def test_the_figures_in_the_text_are_those_of_the_code() -> None:
    assert f"at most {FRAME_BYTES_AT_MOST} bytes" in TEXT
    assert f"{RATE_AT_LEAST} to {RATE_AT_MOST}; the meter may do fewer" in TEXT
    assert f"at most {MAX_DIGITS}" in TEXT
    assert f"newest {GAP_AT_MOST:,} of a longer gap, in portions of {HOLE_AT_MOST:,}" in TEXT
    assert f"without a byte for {SILENT_AFTER_NS // NS_PER_S} s is a drop-out" in TEXT
    assert (ANSWER_WITHIN_NS, ASKS_AT_MOST) == (NS_PER_S, 3)
    assert "repeated after 1 s, three times in all" in TEXT


def test_the_text_says_that_nothing_can_put_a_voltage_on_the_leads() -> None:
    assert "no message can put a voltage on the leads" in TEXT
