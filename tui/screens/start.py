"""The start screen: what is near and what can be begun, as one list."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from textual import work
from textual.app import ComposeResult
from textual.content import Content
from textual.screen import Screen
from textual.widgets import Static

from drivers import address
from logger.clock import local_date
from logger.errors import ZerofirstError
from logger.logbook.examine import examine
from logger.text import harmless
from tui import nearby
from tui.cli.new import start_logbook
from tui.instrument_book import InstrumentBook
from tui.messages import Begun
from tui.meter_search import MeterSearch
from tui.opening import Opened, open_logbook
from tui.pump import Pump
from tui.screens.ask import Ask
from tui.screens.choose import Choice, Choose, When
from tui.screens.nearby_meters import NearbyMeters

if TYPE_CHECKING:
    from logger.clock import Clock

DEMO: Final = "demo"
OPEN: Final = "open:"
PLAN: Final = "plan:"
METERS: Final = "meters"
AUDIT: Final = "audit:"
LEAVE: Final = "‹ leave"
KEYED: Final = "keyed:"
LOGBOOKS: Final = "logbooks"
PLANS: Final = "plans"
OTHER_METER: Final = "other"
NO_METER: Final = "none"

FILES_SHOWN: Final = 3
"""How many logbooks, and how many plans, are listed before the rest is counted: with what else can be begun they fit on
the least terminal."""

WELCOME: Final = "zerofirst: readings straight from the tester, none before it is proven."


class Start(Screen[None]):
    """Asks what to do until something is begun."""

    def __init__(self, clock: Clock) -> None:
        super().__init__()
        self._clock = clock
        self._error = ""
        self._meant = ""

    def compose(self) -> ComposeResult:
        """Nothing but what is waited for: the lists stand in front of it."""
        yield Static("", id="moment", markup=False)

    def on_mount(self) -> None:
        """Ask."""
        self._ask()

    @work(exclusive=True)
    async def _ask(self) -> None:
        begun = False
        while not begun:
            choices = await asyncio.to_thread(_choices, Path.cwd())
            meant = f"Meter in mind: {harmless(self._meant, 60)}." if self._meant else ""
            question = "\n".join(part for part in (self._error, WELCOME, meant) if part)
            picked = await self.app.push_screen_wait(Choose(question, choices, back=LEAVE))
            self._error = ""
            if picked is None:
                self.app.exit()
                return
            if picked == DEMO:
                self.app.exit(DEMO)
                return
            try:
                begun = await self._begin(picked)
            except (ZerofirstError, OSError) as error:
                self._error = str(error)

    async def _begin(self, picked: str) -> bool:
        """Do what was picked; True when a logbook is at hand."""
        if picked == METERS:
            await self._look_for_meters()
            return False
        if picked == AUDIT:
            await self._audit()
            return False
        if picked in {LOGBOOKS, PLANS}:
            found = await asyncio.to_thread(_files, Path.cwd(), picked)
            question = "Which logbook?" if picked == LOGBOOKS else "A new job from which plan?"
            chosen = await self.app.push_screen_wait(Choose(question, found))
            if chosen is None:
                return False
            picked = chosen
        path = await self._new(picked) if picked.startswith(PLAN) else await self._path(picked)
        if path is None:
            return False
        urls = await self._meters()
        if urls is None:
            return False
        with self._one_moment(f"{harmless(path.name, 60)} is being opened"):
            opened = await asyncio.to_thread(self._open, path, urls)
        self.app.post_message(Begun(opened))
        return True

    async def _audit(self) -> None:
        """Look into a logbook without a meter, and without a change to it."""
        from tui.screens.audit import Audit

        found = await asyncio.to_thread(nearby.logbooks, Path.cwd())
        choices = [Choice(str(path), f"Audit {path.name}", "logbook") for path in found]
        picked = await self.app.push_screen_wait(
            Choose("Which logbook? It is only read.", [*choices, Choice(OPEN, "Audit another logbook")])
        )
        path = await self._path(picked) if picked == OPEN else Path(picked) if picked else None
        if path is not None:
            await asyncio.to_thread(examine, path)
            await self.app.push_screen_wait(Audit(path, self._clock))

    def _open(self, path: Path, urls: list[str]) -> Opened:
        return open_logbook(path, [address.parse(url) for url in urls], self._clock, Pump(), InstrumentBook())

    @contextmanager
    def _one_moment(self, what: str) -> Iterator[None]:
        """Say what is waited for, where the screen would stand empty: a slow disk makes that seconds."""
        line = self.query_one("#moment", Static)
        line.update(Content(f"One moment: {what} …"))
        try:
            yield
        finally:
            line.update("")

    async def _path(self, picked: str) -> Path | None:
        name = picked.removeprefix(OPEN)
        typed: str | None = name or await self.app.push_screen_wait(Ask("Which logbook?", "kiln-shed.zerofirst"))
        return _as_path(typed) if typed else None

    async def _new(self, picked: str) -> Path | None:
        from logger.job.plan import load_plan

        name = picked.removeprefix(PLAN)
        typed: str | None = name or await self.app.push_screen_wait(Ask("Which plan?", "kiln-shed.toml"))
        if not typed:
            return None
        plan = await asyncio.to_thread(load_plan, _as_path(typed))
        example = Path(typed).with_suffix(".zerofirst").name
        target = await self.app.push_screen_wait(
            Ask(f"What is the new logbook called? (Enter alone: {harmless(example, 60)})", example, may_be_empty=True)
        )
        if target is None:
            return None
        path = _as_path(target or example)
        with self._one_moment(f"{harmless(path.name, 60)} is being made"):
            await asyncio.to_thread(start_logbook, plan, path)
        return path

    async def _meters(self) -> list[str] | None:
        """The meters to record from; None when the person goes back."""
        others = [
            Choice(OTHER_METER, "another address", "tcp:127.0.0.1:4000, ble:NAME, replay:FILE"),
            Choice(KEYED, "a meter without a data port: I key in what it shows"),
            Choice(NO_METER, "no meter today"),
        ]
        picked = await self.app.push_screen_wait(NearbyMeters("With which meter?", self._search(), others, self._meant))
        if picked == OTHER_METER:
            picked = await self.app.push_screen_wait(Ask("What is its address?", "tcp:127.0.0.1:4000"))
        return None if picked is None else [] if picked == NO_METER else [picked]

    async def _look_for_meters(self) -> None:
        """Who is there. The one that is picked is proposed when a logbook is opened."""
        question = "Meters within reach. Enter keeps one in mind for the logbook that is opened next."
        picked = await self.app.push_screen_wait(NearbyMeters(question, self._search(), preset=self._meant))
        if picked is not None:
            self._meant = picked

    def _search(self) -> MeterSearch:
        return MeterSearch(local_date(self._clock), InstrumentBook())


def _choices(folder: Path) -> list[Choice]:
    return [
        *_newest(_files(folder, LOGBOOKS), LOGBOOKS, "logbook"),
        *_newest(_files(folder, PLANS), PLANS, "plan"),
        Choice(DEMO, "Demo: the whole job on a simulated site"),
        Choice(METERS, "Look for meters"),
        Choice(AUDIT, "Audit a logbook"),
        Choice(OPEN, "Open another logbook"),
        Choice(PLAN, "New job from another plan"),
    ]


def _files(folder: Path, kind: str) -> list[Choice]:
    """All logbooks or plans, the newest first."""
    if kind == LOGBOOKS:
        return [Choice(f"{OPEN}{path}", f"Open {path.name}", "logbook") for path in nearby.logbooks(folder)]
    return [Choice(f"{PLAN}{path}", f"New job from {path.name}", "plan") for path in nearby.plans(folder)]


def _newest(found: list[Choice], kind: str, noun: str) -> list[Choice]:
    """The newest few, and how many more there are; those are there once something is typed."""
    if len(found) <= FILES_SHOWN + 1:  # a line that counts one takes as much room as that one
        return found
    rest = found[FILES_SHOWN:]
    more = Choice(kind, f"{len(rest)} more {noun}s: type to find one, or look here", when=When.UNTYPED)
    return [*found[:FILES_SHOWN], more, *(replace(choice, when=When.TYPED) for choice in rest)]


def _as_path(text: str) -> Path:
    """A path as people write it."""
    return Path(text).expanduser()
