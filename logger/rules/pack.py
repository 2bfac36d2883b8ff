"""The door to rule packs: ours by name, a user's own by path, one in force from the log.

What a pack answers is in `pack_rules`, how its tables are read in `pack_reading`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from decimal import Decimal
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Final

from logger import toml_lines
from logger.errors import InputWrong, RulesWrong
from logger.faults import Faults, quoted
from logger.rules.pack_reading import read_pack
from logger.rules.pack_rules import Need, Pack
from logger.text import harmless

__all__ = ["Need", "Pack", "is_path", "load_pack", "pack_from_body", "pack_names"]

# A pack larger than this is none: ours are under 30 kB.
PACK_BYTES_AT_MOST: Final = 1024**2


def pack_names() -> tuple[str, ...]:
    """Names of the packs that come with the project, in alphabetical order."""
    folder = resources.files("logger.rules") / "packs"
    return tuple(sorted(file.name.removesuffix(".toml") for file in folder.iterdir() if file.name.endswith(".toml")))


def is_path(name_or_path: str) -> bool:
    """Whether a pack is given by the path of its file and not by a name."""
    return "/" in name_or_path or "\\" in name_or_path or name_or_path.endswith(".toml")


def load_pack(name_or_path: str) -> Pack:
    """A pack of ours by its name, or a user's own by the path of its file.

    Raises:
        RulesWrong: if the file is no pack, with every fault.
        InputWrong: if there is none of that name, or the file cannot be read.
    """
    if name_or_path in pack_names():
        return _own(name_or_path)
    if not is_path(name_or_path):
        known = ", ".join(pack_names())
        raise InputWrong(
            f"There is no rule pack {quoted(name_or_path)}", f"use one of {known}, or the path of your own"
        )
    return _parsed(_text_of(Path(name_or_path)), harmless(name_or_path))


def pack_from_body(body: Mapping[str, object]) -> Pack:
    """The pack whose `body` stands in a log.

    Raises:
        RulesWrong: if `body` is no pack.
    """
    return read_pack(body, {}, Faults("rule pack of the logbook"), "of the logbook")


@lru_cache
def _own(name: str) -> Pack:
    text = (resources.files("logger.rules") / "packs" / f"{name}.toml").read_text(encoding="utf-8")
    return _parsed(text, name)


def _text_of(path: Path) -> str:
    shown = harmless(str(path))
    try:
        with path.open("rb") as file:
            data = file.read(PACK_BYTES_AT_MOST + 1)
        if len(data) > PACK_BYTES_AT_MOST:
            raise InputWrong(f"The file {shown} is too large for a rule pack", "check which file it is")
        return data.decode("utf-8-sig")
    except FileNotFoundError as missing:
        raise InputWrong(f"There is no rule pack {shown}", "check the name and the folder") from missing
    except (OSError, UnicodeDecodeError, ValueError) as wrong:
        raise InputWrong(f"The rule pack {shown} cannot be read", "check that it is UTF-8 text and yours") from wrong


def _parsed(text: str, path: str) -> Pack:
    faults = Faults(harmless(Path(path).name))
    try:
        values = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError) as wrong:
        faults.add(f"not TOML: {harmless(str(wrong))}")
        raise RulesWrong(path, faults.sentences()) from wrong
    return read_pack(values, toml_lines.tables(text), faults, path)
