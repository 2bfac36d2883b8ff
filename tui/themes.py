"""Two sets of colours: dark for the roof space, bright for daylight. Colour only repeats what words and weight say."""

from __future__ import annotations

from typing import Final

from textual.theme import Theme

DARK: Final = Theme(
    name="zerofirst-dark",
    primary="#c9a27e",
    secondary="#8fa7b3",
    accent="#d9b48f",
    foreground="#e4dfd6",
    background="#15171a",
    surface="#1f2226",
    panel="#2a2e33",
    success="#9cc48a",
    warning="#e3bd6a",
    error="#ef8a78",
    dark=True,
    variables={"faint": "#9c978d"},
)

BRIGHT: Final = Theme(
    name="zerofirst-bright",
    primary="#7a4a22",
    secondary="#3f5b6b",
    accent="#8a4b1a",
    foreground="#1d1b18",
    background="#faf7f1",
    surface="#efe9df",
    panel="#e2dacd",
    success="#2f6b2a",
    warning="#7d5400",
    error="#a62a17",
    dark=False,
    variables={"faint": "#6b665d"},
)

THEMES: Final = (DARK, BRIGHT)
