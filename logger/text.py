"""Text from strangers (a meter, a plan, a CSV, another's logbook) made fit to be shown.

Nothing foreign is shown without passing here: no terminal escape, no direction change, no invisible character
survives. Markup is the concern of whoever draws: they draw without it.
"""

from __future__ import annotations

import unicodedata

SHOWN_CHARACTERS_AT_MOST = 240
"""Longest foreign text shown in one place, characters: one protocol frame."""


def harmless(text: str, at_most: int = SHOWN_CHARACTERS_AT_MOST) -> str:
    """`text` with control, direction-changing and invisible characters made visible, cut to `at_most` characters."""
    text = text[: at_most + 1]  # each character is shown as one or more: what is cut is not looked at, however long
    plain = text.isascii() and text.isprintable()
    shown = text if plain else "".join(_visible(character) for character in text)
    return shown if len(shown) <= at_most else shown[: at_most - 1] + "…"


def _visible(character: str) -> str:
    code = ord(character)
    if code < 0x20:
        return chr(0x2400 + code)
    if code == 0x7F:
        return "\u2421"
    if unicodedata.category(character) in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}:
        return f"<U+{code:04X}>"
    return character
