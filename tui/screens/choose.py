"""One list to choose from: type to narrow it, arrows or mouse to move, Enter to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
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

MORE_AT_MOST: Final = 160
"""Longest second line, characters: it wraps once on the least terminal."""

QUESTION_AT_MOST: Final = 900
"""Longest question, characters: an error with its remedy stands above it."""

NOTE_COLUMN: Final = 60
"""Where notes begin at the latest, columns: they stand under each other where texts are shorter."""

BACK: Final = "‹ go back"
"""The last line of every list: the way out that needs no special key."""


ROWS_AT_MOST: Final = 16
"""Most rows of the list, however tall the terminal: what is further down is found by typing."""

ROWS_AT_LEAST: Final = 3

PAPER_SHARE: Final = 0.9
"""How much of the screen the sheet may take; as the style sheet has it."""


class When(StrEnum):
    """When a line is in the list."""

    ALWAYS = "always"
    TYPED = "typed"
    """Only once something is typed: there are too many of its kind."""
    UNTYPED = "untyped"
    """Only while nothing is typed: it says how many more there are."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One line, or two where there is `more` to say. `value` is handed back; the rest is shown, made harmless here."""

    value: str
    text: str
    note: str = ""
    more: str = ""
    when: When = When.ALWAYS


class Choose(ModalScreen[str | None]):
    """Asks for one of several; None when the person goes back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "go back"),
        Binding("down", "move(1)", show=False),
        Binding("up", "move(-1)", show=False),
        Binding("pagedown", "move(10)", show=False),
        Binding("pageup", "move(-10)", show=False),
        Binding("end", f"move({SHOWN_AT_MOST})", show=False, priority=True),
        Binding("home", f"move(-{SHOWN_AT_MOST})", show=False, priority=True),
    ]

    def __init__(self, question: str, choices: Sequence[Choice], preset: str = "", back: str = BACK) -> None:
        super().__init__(classes="sheet")
        self._back = back
        self._question = question
        self._choices = tuple(choices)
        self._preset = preset
        self._is_touched = False
        self._fitting: tuple[Choice, ...] = self._choices

    def compose(self) -> ComposeResult:
        """Question, filter, list."""
        with Vertical(classes="paper"):
            yield Static(Content(_lines(self._question)), classes="question", markup=False)
            yield Static("", classes="said", markup=False)
            yield Input(placeholder="type to narrow the list", compact=True)
            yield OptionList(markup=False, compact=True)

    def on_mount(self) -> None:
        """Show everything, the preset one highlighted."""
        self._fill("")
        self._highlight(self._preset)
        self.query_one(Input).focus()
        self.call_after_refresh(self._make_room)

    def on_resize(self) -> None:
        """Another terminal size has other room."""
        self.call_after_refresh(self._make_room)

    def _make_room(self) -> None:
        """The list takes the rows that are left on the sheet and no more, so that it scrolls and shows that it does."""
        if not self.is_mounted or not self.query(OptionList):
            return
        listed, paper = self.query_one(OptionList), self.query_one(".paper")
        above = [each for each in paper.children if each is not listed and each.display]
        taken = sum(each.outer_size.height + each.styles.margin.height for each in above)
        taken += paper.gutter.height + listed.styles.margin.height
        room = int(self.size.height * PAPER_SHARE) - taken
        listed.styles.max_height = min(ROWS_AT_MOST, max(ROWS_AT_LEAST, room))
        self.call_after_refresh(listed.scroll_to_highlight)

    def renew(self, choices: Sequence[Choice], said: Content) -> None:
        """Show other choices, and say something above them. What is highlighted stays so; where it is gone, it is the
        way out, so that Enter takes nothing that was not meant. Before anything was typed or moved it is the first."""
        self._choices = tuple(choices)
        meant = self._meant() if self._is_touched else self._preset
        self._fill(self.query_one(Input).value)
        self._highlight(meant, or_the_way_out=self._is_touched)
        line = self.query_one(".said", Static)
        line.update(said)
        line.display = bool(said)
        self.call_after_refresh(self._make_room)

    def _meant(self) -> str | None:
        """The value of what is highlighted; None for the way out."""
        index = self.query_one(OptionList).highlighted
        return self._fitting[index].value if index is not None and index < len(self._fitting) else None

    def _highlight(self, value: str | None, *, or_the_way_out: bool = False) -> None:
        listed = self.query_one(OptionList)
        elsewhere = listed.option_count - 1 if or_the_way_out else 0
        places = (index for index, choice in enumerate(self._fitting) if choice.value == value)
        listed.highlighted = next(places, elsewhere)

    @on(Input.Changed)
    def _narrow(self, event: Input.Changed) -> None:
        self._is_touched = True
        self._fill(event.value)

    @on(Input.Submitted)
    def _enter(self) -> None:
        self._pick(self.query_one(OptionList).highlighted)

    @on(OptionList.OptionSelected)
    def _click(self, event: OptionList.OptionSelected) -> None:
        self._pick(event.option_index)

    def action_move(self, by: int) -> None:
        """Move the highlight, stopping at the ends."""
        self._is_touched = True
        listed = self.query_one(OptionList)
        last = listed.option_count - 1
        listed.highlighted = min(last, max(0, (listed.highlighted or 0) + by))

    def action_back(self) -> None:
        """Choose nothing."""
        self.dismiss(None)

    def _fill(self, wanted: str) -> None:
        words = wanted.casefold().split()
        left_out = When.UNTYPED if words else When.TYPED
        self._fitting = tuple(c for c in self._choices if c.when is not left_out and _fits(c, words))
        self._fitting = self._fitting[:SHOWN_AT_MOST]
        listed = self.query_one(OptionList)
        listed.clear_options()
        width = min(NOTE_COLUMN, max((len(harmless(c.text, TEXT_AT_MOST)) for c in self._choices if c.note), default=0))
        listed.add_options([Option(_prompt(choice, width)) for choice in self._fitting])
        listed.add_option(Option(Content.styled(self._back, "$faint")))
        listed.highlighted = 0

    def _pick(self, index: int | None) -> None:
        inside = index is not None and index < len(self._fitting)
        self.dismiss(self._fitting[index].value if inside and index is not None else None)


def _lines(question: str) -> str:
    """What may hold an error of several lines, each made harmless."""
    return "\n".join(harmless(line) for line in question[:QUESTION_AT_MOST].split("\n"))


def _fits(choice: Choice, words: Sequence[str]) -> bool:
    shown = f"{choice.text} {choice.note} {choice.more}".casefold()
    return all(word in shown for word in words)


def _prompt(choice: Choice, width: int) -> Content:
    note = f"  {harmless(choice.note, TEXT_AT_MOST)}" if choice.note else ""
    more = f"\n    {harmless(choice.more, MORE_AT_MOST)}" if choice.more else ""
    return Content.assemble(f"{harmless(choice.text, TEXT_AT_MOST):<{width}}", (note, "$faint"), (more, "$faint"))
