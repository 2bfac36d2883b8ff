"""Large digits out of half blocks, our own cut: two columns a stroke, so that they carry across a room. Pure."""

from __future__ import annotations

from typing import Final

STROKES: Final[dict[str, tuple[str, ...]]] = {
    "0": (" #### ", "##  ##", "##  ##", "##  ##", "##  ##", "##  ##", " #### "),
    "1": ("  ##  ", " ###  ", "  ##  ", "  ##  ", "  ##  ", "  ##  ", " #### "),
    "2": (" #### ", "##  ##", "    ##", "  ### ", " ##   ", "##    ", "######"),
    "3": (" #### ", "##  ##", "    ##", "  ### ", "    ##", "##  ##", " #### "),
    "4": ("   ## ", "  ### ", " #### ", "## ## ", "######", "   ## ", "   ## "),
    "5": ("######", "##    ", "##### ", "    ##", "    ##", "##  ##", " #### "),
    "6": (" #### ", "##    ", "##### ", "##  ##", "##  ##", "##  ##", " #### "),
    "7": ("######", "    ##", "   ## ", "  ##  ", "  ##  ", "  ##  ", "  ##  "),
    "8": (" #### ", "##  ##", "##  ##", " #### ", "##  ##", "##  ##", " #### "),
    "9": (" #### ", "##  ##", "##  ##", " #####", "    ##", "   ## ", " ###  "),
    ".": ("  ", "  ", "  ", "  ", "  ", "##", "##"),
    "-": ("     ", "     ", "     ", "#####", "     ", "     ", "     "),
    ">": ("##    ", " ###  ", "   ## ", "    ##", "   ## ", " ###  ", "##    "),
    "<": ("    ##", "  ### ", " ##   ", "##    ", " ##   ", "  ### ", "    ##"),
    "∞": (
        "            ",
        " ####  #### ",
        "##  ####  ##",
        "##   ##   ##",
        "##  ####  ##",
        " ####  #### ",
        "            ",
    ),
}
"""Seven rows of half cells each; `#` is ink."""

GAP: Final = " "
"""Between two characters."""

HALF_ROWS: Final = 8
"""Height of a line of digits in half rows: the strokes' seven and one of air above."""

_CELL: Final = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def can_draw(text: str) -> bool:
    """Whether every character has its strokes."""
    return bool(text) and all(character in STROKES for character in text)


def draw(text: str, *, twice: bool = False) -> tuple[str, ...]:
    """The rows of `text`, all of one width: four rows, or seven at twice the size (the air is left out).

    Args:
        text: characters that `can_draw`.
        twice: every stroke doubled both ways.
    """
    ink = [GAP.join(STROKES[character][row] for character in text) for row in range(HALF_ROWS - 1)]
    if twice:
        ink = ["".join(mark * 2 for mark in row) for row in ink for _ in range(2)]
    else:
        ink.insert(0, " " * len(ink[0]))
    return tuple(_merge(ink[row], ink[row + 1]) for row in range(0, len(ink), 2))


def _merge(upper: str, lower: str) -> str:
    return "".join(_CELL[above == "#", below == "#"] for above, below in zip(upper, lower, strict=True))


def strike(rows: tuple[str, ...]) -> tuple[str, ...]:
    """The same with a line through it: what is shown does not count, and that must not rest on colour."""
    middle = len(rows) // 2
    return (*rows[:middle], rows[middle].replace(" ", "─"), *rows[middle + 1 :])
