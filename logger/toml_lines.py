"""Where in a TOML text a table and its keys stand, so that a fault can name its line.

A scan of the text beside the real parser, for pointing only: where the two disagree on how many tables there are, the
caller names no line rather than a wrong one.
"""

from __future__ import annotations

import re
from typing import Final

_HEADER: Final = re.compile(r"\s*\[{1,2}\s*([A-Za-z0-9_-]+)\s*(\.[^\]]*)?\]{1,2}\s*(?:#.*)?$")
_KEY: Final = re.compile(r"""\s*["']?([A-Za-z0-9_-]+)["']?\s*[.=]""")
_LONG_QUOTES: Final = ('"""', "'''")


def tables(text: str) -> dict[str, list[dict[str, int]]]:
    """For each table name, in order of appearance: the line (from 1) of each key, and of the header under ""."""
    found: dict[str, list[dict[str, int]]] = {"": [{}]}
    current, inside = found[""][0], ""
    sub_key = ""
    for number, line in enumerate(text.split("\n"), start=1):
        was_inside, inside = inside, _long_string_after(line, inside)
        if was_inside:
            continue
        if header := _HEADER.match(line):
            name, below = header.group(1), header.group(2)
            sub_key = below.strip(" .\t") if below else ""
            if below and name in found:
                current = found[name][-1]
                current.setdefault(sub_key, number)
            else:
                current = {"": number}
                found.setdefault(name, []).append(current)
        elif not sub_key and (key := _KEY.match(line)):
            current.setdefault(key.group(1), number)
    return found


def _long_string_after(line: str, inside: str) -> str:
    """The long quotes that are still open after `line`, given those open before it."""
    for quotes in (inside,) if inside else _LONG_QUOTES:
        if line.count(quotes) % 2:
            return "" if inside else quotes
    return inside
