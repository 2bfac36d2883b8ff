"""One list to choose from: type to narrow it, arrows or mouse to move, Enter to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from logger.text import harmless

SHOWN_AT_MOST: Final = 500
"""Most lines in the list at once; more are found by typing."""

TEXT_AT_MOST: Final = 80
"""Longest text and note of a line, characters: a row of the least terminal."""

NOTE_COLUMN: Final = 60
"""Where notes begin at the latest, columns: they stand under each other where texts are shorter."""

BACK: Final = "‹ go back"
"""The last line of every list: the way out that needs no special key."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One line. `value` is handed back; `text` and `note` are shown, made harmless here."""

    value: str
    text: str
    note: str = ""


class Choose(ModalScreen[str | None]):
    """Asks for one of several; None when the person goes back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "go back"),
        Binding("down", "move(1)", show=False),
        Binding("up", "move(-1)", show=False),
        Binding("pagedown", "move(10)", show=False),
        Binding("pageup", "move(-10)", show=False),
    ]

    def __init__(self, question: str, choices: Sequence[Choice], preset: str = "", back: str = BACK) -> None:
        super().__init__(classes="sheet")
        self._back = back
        self._question = question
        self._choices = tuple(choices)
        self._preset = preset
        self._fitting: tuple[Choice, ...] = self._choices

    def compose(self) -> ComposeResult:
        """Question, filter, list."""
        with Vertical(classes="paper"):
            yield Static(Content(harmless(self._question)), classes="question", markup=False)
            yield Input(placeholder="type to narrow the list", compact=True)
            yield OptionList(markup=False, compact=True)

    def on_mount(self) -> None:
        """Show everything, the preset one highlighted."""
        self._fill("")
        listed = self.query_one(OptionList)
        at = next((index for index, choice in enumerate(self._fitting) if choice.value == self._preset), 0)
        listed.highlighted = at
        self.query_one(Input).focus()

    @on(Input.Changed)
    def _narrow(self, event: Input.Changed) -> None:
        self._fill(event.value)

    @on(Input.Submitted)
    def _enter(self) -> None:
        self._pick(self.query_one(OptionList).highlighted)

    @on(OptionList.OptionSelected)
    def _click(self, event: OptionList.OptionSelected) -> None:
        self._pick(event.option_index)

    def action_move(self, by: int) -> None:
        """Move the highlight, stopping at the ends."""
        listed = self.query_one(OptionList)
        last = listed.option_count - 1
        listed.highlighted = min(last, max(0, (listed.highlighted or 0) + by))

    def action_back(self) -> None:
        """Choose nothing."""
        self.dismiss(None)

    def _fill(self, wanted: str) -> None:
        words = wanted.casefold().split()
        self._fitting = tuple(c for c in self._choices if all(w in f"{c.text} {c.note}".casefold() for w in words))
        self._fitting = self._fitting[:SHOWN_AT_MOST]
        listed = self.query_one(OptionList)
        listed.clear_options()
        width = min(NOTE_COLUMN, max((len(harmless(c.text, TEXT_AT_MOST)) for c in self._choices), default=0))
        listed.add_options([Option(_prompt(choice, width)) for choice in self._fitting])
        listed.add_option(Option(Content.styled(self._back, "$faint")))
        listed.highlighted = 0

    def _pick(self, index: int | None) -> None:
        inside = index is not None and index < len(self._fitting)
        self.dismiss(self._fitting[index].value if inside and index is not None else None)


def _prompt(choice: Choice, width: int) -> Content:
    note = f"  {harmless(choice.note, TEXT_AT_MOST)}" if choice.note else ""
    return Content.assemble(f"{harmless(choice.text, TEXT_AT_MOST):<{width}}", (note, "$faint"))
