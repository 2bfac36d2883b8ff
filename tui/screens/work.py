"""The working screen: one sentence read down the left margin, then the newest of the log; the work list beside it."""

from __future__ import annotations

from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.events import Resize
from textual.screen import Screen
from textual.widgets import Rule, Static

from tui.actions import ACTIONS, Scope
from tui.fit import AIRY_ROWS, Room, room_for
from tui.messages import Wanted
from tui.view import ScreenView
from tui.widgets.big_figure import BigFigure
from tui.widgets.clause import Clause, Margin
from tui.widgets.hands_bar import HandsBar
from tui.widgets.log_tail import LogTail
from tui.widgets.next_clause import NextClause
from tui.widgets.scale_bar import ScaleBar
from tui.widgets.trace_row import TraceRow
from tui.widgets.work_panel import WorkPanel

SENTENCE_COLUMNS: Final = 80
"""Width of the sentence, columns; what is beyond it belongs to the work list."""

BESIDE_COLUMNS: Final = 34
"""Fewest columns in which the work list says anything: a test's name, its outcome and the sign."""


class Work(Screen[None]):
    """Draws a `ScreenView`; keys and clicks become `Wanted` messages, which the app answers."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(",".join(action.keys), f"want('{action.name}')", action.words, show=False)
        for action in ACTIONS
        if action.scope is not Scope.HANDS
    ]

    def __init__(self, *, with_hands: bool) -> None:
        super().__init__()
        self._with_hands = with_hands
        self._view: ScreenView | None = None
        if with_hands:
            for action in ACTIONS:
                if action.scope is Scope.HANDS:
                    self._bindings.bind(",".join(action.keys), f"want('{action.name}')", action.words, show=False)

    def compose(self) -> ComposeResult:
        """The sentence on the left, the work list on the right."""
        with Horizontal():
            with Vertical(id="sentence"):
                with Horizontal(id="head"):
                    yield Static("", id="title", markup=False)
                    yield Static("", id="time", markup=False)
                yield Static("", id="trouble", markup=False)
                yield Clause("WITH", "with")
                yield Clause("ON", "on")
                with Horizontal(id="see"):
                    yield Margin("WE SEE")
                    with Vertical():
                        yield BigFigure()
                        yield ScaleBar()
                        yield TraceRow()
                yield Clause("MEANS", "means")
                yield Clause("COVERS", "covers")
                yield Clause("OPEN", "open")
                yield NextClause()
                yield Rule(line_style="solid")
                yield LogTail()
                if self._with_hands:
                    yield HandsBar()
            yield WorkPanel()

    def on_resize(self, event: Resize) -> None:
        """A larger terminal adds to the right and makes the digits larger; it moves no word of the sentence."""
        wide = event.size.width >= SENTENCE_COLUMNS + BESIDE_COLUMNS
        self.set_class(wide, "-wide")
        if self._view is not None:
            self._make_room(self._view, event.size.height)

    def _make_room(self, view: ScreenView, height: int) -> None:
        room = room_for(view, height, with_hands=self._with_hands)
        self.set_class(height >= AIRY_ROWS, "-airy")
        for each in Room:
            self.set_class(each is room, f"-{each.name.lower()}")

    def _title(self, view: ScreenView) -> str:
        """The job; and what the simulated hands hold, where their own row has no room for it."""
        hands = view.hands
        return view.title if hands is None or self.has_class("-tall") else f"{view.title} · simulated, {hands.leads}"

    def action_want(self, name: str) -> None:
        """A key was pressed."""
        self.post_message(Wanted(name))

    async def show(self, view: ScreenView) -> None:
        """Draw what differs from the last view; nothing while the screen is being taken down."""
        if not self.query(WorkPanel):
            return
        last, self._view = self._view, view
        if last == view:
            return
        self._make_room(view, self.size.height)
        self.query_one("#title", Static).update(self._title(view))
        self.query_one("#time", Static).update(view.time)
        trouble = self.query_one("#trouble", Static)
        trouble.display = bool(view.trouble)
        trouble.update(view.trouble)
        self.query_one("#with", Clause).show(view.with_meter)
        self.query_one("#on", Clause).show(view.on_test)
        self.query_one(BigFigure).show(view.we_see)
        self.query_one(ScaleBar).scale = view.we_see.scale
        self.query_one(TraceRow).trace = view.we_see.trace
        self.query_one("#means", Clause).show(view.means)
        self.query_one("#covers", Clause).show(view.covers)
        self.query_one("#open", Clause).show(view.open_alterations)
        self.query_one(LogTail).lines = view.log
        panel = self.query_one(WorkPanel)
        panel.done, panel.lines = view.work_done, view.work
        if self._with_hands:
            self.query_one(HandsBar).show(view.hands)
        await self.query_one(NextClause).show(view.next_step)
