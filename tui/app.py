"""The app: it routes and does no work. A tick makes the desk look, a look is drawn, a want becomes a deed."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final

from textual import on
from textual.app import App
from textual.binding import BindingType

from logger.errors import StorageFailed, ZerofirstError
from tui.actions import BY_NAME, Action, Scope
from tui.desk import Desk
from tui.hands import Hands, Simulator
from tui.instrument_book import InstrumentBook
from tui.leaving import Watching
from tui.memory import Memory
from tui.messages import Begun, Looked, Wanted
from tui.opening import Opened, open_logbook
from tui.pump import TICK_S, Pump
from tui.screens.context import Context
from tui.screens.deeds import DEEDS
from tui.screens.start import DEMO, Start
from tui.screens.work import Work
from tui.themes import DARK, THEMES
from tui.view import HandsView

if TYPE_CHECKING:
    from drivers.address import Address
    from logger.clock import Clock

LEAVE_WITHIN_S: Final = 10.0
"""How long the session may take to halt its meters and fold its file in, seconds; longer is told as a fault."""


class ZerofirstApp(App[str]):
    """One app for every way in: a logbook that is open already, or the start screen.

    Args:
        clock: the source of time.
        opened: what the command line opened; None begins with the start screen.
        simulator: moves the simulated leads, in a demo.
        audited: a logbook to look into as an auditor does, and nothing else.
    """

    CSS_PATH = "app.tcss"
    TITLE = "zerofirst"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = []

    def __init__(
        self,
        clock: Clock,
        opened: Opened | None = None,
        simulator: Simulator | None = None,
        audited: Path | None = None,
    ) -> None:
        super().__init__()
        self._clock = clock
        self._audited = audited
        self._simulator = simulator
        self._opened = opened
        self.context: Context | None = None
        self._rung = 0
        self._memory: Memory | None = None
        self._own_loop: asyncio.AbstractEventLoop | None = None
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = DARK.name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Our own variables, before a theme of ours is in force."""
        return dict(DARK.variables)

    @property
    def opened(self) -> Opened | None:
        """The logbook at hand, to be let go of when the app has ended."""
        return self._opened

    def on_mount(self) -> None:
        """The first screen, and the tick."""
        self._own_loop = asyncio.get_running_loop()
        if self._opened is not None:
            self._sit_down(self._opened)
        elif self._audited is not None:
            from tui.screens.audit import Audit

            self.push_screen(Audit(self._audited, self._clock), lambda _: self.exit())
        else:
            self.push_screen(Start(self._clock))
        self.set_interval(TICK_S, self.tick)

    def leave_soon(self) -> None:
        """Leave as `quit` does. From any thread."""
        if self._own_loop is not None:
            with suppress(RuntimeError):  # it has ended already
                self._own_loop.call_soon_threadsafe(self.exit)

    def on_ready(self) -> None:
        """Everything is made: from now on readings must not wait for the collector."""
        if not self.is_headless:
            self.keep_memory()

    def keep_memory(self) -> None:
        """See `tui.memory`. It is for the whole process: an app without a terminal, as in tests, is asked to."""
        self._memory = Memory(self._clock.mono_ns())

    def _sit_down(self, opened: Opened) -> None:
        desk = Desk(opened.sitting, opened.pump, self._clock, opened.urls)
        desk.live.remember(opened.history)
        hands = Hands(self._simulator) if self._simulator is not None else None
        desk.hands = HandsView("leads apart") if hands else None
        self._opened = opened
        self.context = Context(self, desk, opened.path, hands)
        self.push_screen(Work(with_hands=hands is not None))
        self.tick()

    def tick(self) -> None:
        """Look, and have it drawn."""
        if self._memory is not None:
            self._memory.look(self._clock.mono_ns(), len(self.screen_stack))
        if self.context is not None:
            view = self.context.desk.look()
            self._ring(self.context.desk)
            if view is not None:
                self.post_message(Looked(view))

    def _ring(self, desk: Desk) -> None:
        """A result is told to the ear too: the eye is on the leads."""
        entry = desk.live.result.entry if desk.live.result is not None else None
        if entry is not None and entry != self._rung:
            self._rung = entry
            self.bell()

    @on(Looked)
    async def _draw(self, message: Looked) -> None:
        for screen in self.screen_stack:
            if isinstance(screen, Work) and screen.is_mounted:
                await screen.show(message.view)

    @on(Begun)
    def _begin(self, message: Begun) -> None:
        self._sit_down(message.opened)

    @on(Wanted)
    def _do(self, message: Wanted) -> None:
        action = BY_NAME[message.action_name]
        if self.context is not None and self.offers(action):
            self.run_worker(self._deed(action.name, self.context), group="deed")

    async def _deed(self, name: str, context: Context) -> None:
        try:
            await DEEDS[name](context)
        except ZerofirstError as error:
            context.desk.refuse(name, str(error))
        except Exception as error:  # a fault of ours must not take the recording down with it
            context.desk.refuse(name, f"the screen met a fault of its own ({type(error).__name__}: {error})")
        self.tick()

    def offers(self, action: Action) -> bool:
        """Whether this action is there now."""
        if action.scope is Scope.HANDS:
            return self.context is not None and self.context.hands is not None
        return action.scope is Scope.LOOK or (self.context is not None and not self.context.desk.is_closed)


def run_app(logbook_path: Path, addresses: Sequence[Address], clock: Clock, simulator: Simulator | None = None) -> int:
    """The app on a logbook, until the person leaves. Returns the exit code.

    Raises:
        LogbookUnusable, LogbookDamaged: before a screen is drawn.
        ZerofirstError: what ended the recording early, after the screen is gone.
    """
    book = InstrumentBook() if simulator is None else None
    opened = open_logbook(logbook_path, addresses, clock, Pump(), book)
    app = ZerofirstApp(clock, opened, simulator)
    _run(app)
    return let_go(app)


def run_audit(path: Path, clock: Clock) -> int:
    """The auditor's screen on one logbook, until the person leaves. Returns the exit code."""
    _run(ZerofirstApp(clock, audited=path))
    return 0


def run_start(clock: Clock) -> tuple[int, bool]:
    """The app from its start screen. Returns the exit code, and whether the person asked for the demo."""
    app = ZerofirstApp(clock)
    wanted = _run(app)
    return let_go(app), wanted == DEMO


def _run(app: ZerofirstApp) -> str | None:
    """Until the person leaves, or nobody can see it any more."""
    with Watching(app, lambda: _abandon(app)):
        return app.run()


def _abandon(app: ZerofirstApp) -> int:
    """End the session behind an app that cannot leave. Returns the exit code."""
    try:
        return let_go(app)
    except ZerofirstError as error:
        return error.exit_code


def let_go(app: ZerofirstApp) -> int:
    """End the session behind the app and say how it went.

    Raises:
        ZerofirstError: what ended the recording early, or a line that never was there.
    """
    opened = app.opened
    if opened is None or opened.session is None:
        return 0
    from tui.cli.capture import exit_code

    opened.session.stop()
    outcome = opened.session.wait(LEAVE_WITHIN_S)
    if outcome is None:
        raise StorageFailed(
            "The recording did not end in time", "see that the disk answers; what was confirmed is on it"
        )
    if outcome.error is not None:
        raise outcome.error
    heard = app.context is not None and bool(app.context.desk.live.here)
    if outcome.failures and not heard:
        raise next(iter(outcome.failures.values()))
    return exit_code(outcome, opened.session.state)
