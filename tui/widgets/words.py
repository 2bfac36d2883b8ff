"""Lines of words as Textual content. Built from plain text and spans, never from markup: `[/]` is three characters."""

from __future__ import annotations

from typing import Final

from textual.content import Content

from tui.view import Line, Lines, Tone, Weight, Words

STYLE: Final[dict[Weight, str]] = {Weight.STRONG: "bold", Weight.PLAIN: "", Weight.FAINT: "$faint"}

COLOUR: Final[dict[Tone, str]] = {
    Tone.CALM: "",
    Tone.GOOD: "$text-success",
    Tone.BAD: "$text-error",
    Tone.WARN: "$text-warning",
}


def style_of(weight: Weight, tone: Tone) -> str:
    """The style of a run of words."""
    if tone is not Tone.CALM and weight is Weight.FAINT:
        return COLOUR[tone]
    return f"{STYLE[weight]} {COLOUR[tone]}".strip()


def content_of(lines: Lines) -> Content:
    """Several lines."""
    return Content("\n").join([line_content(line) for line in lines])


def line_content(line: Line) -> Content:
    """One line."""
    return Content.assemble(*(_run(words) for words in line))


def _run(words: Words) -> tuple[str, str]:
    return (words.text, style_of(words.weight, words.tone))
