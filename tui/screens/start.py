"""The start screen: what is near and what can be begun, as one list."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Final

from textual import work
from textual.screen import Screen

from drivers import address
from logger.errors import ZerofirstError
from logger.text import harmless
from tui import nearby
from tui.cli.new import start_logbook
from tui.messages import Begun
from tui.opening import Opened, open_logbook
from tui.pump import Pump
from tui.screens.ask import Ask
from tui.screens.choose import Choice, Choose
from tui.screens.page import Page
from tui.view import Lines, faint, plain

if TYPE_CHECKING:
    from logger.clock import Clock

DEMO: Final = "demo"
OPEN: Final = "open:"
PLAN: Final = "plan:"
METERS: Final = "meters"
LEAVE: Final = "‹ leave"
KEYED: Final = "keyed:"
OTHER_METER: Final = "other"
NO_METER: Final = "none"

WELCOME: Final = "zerofirst: readings straight from the tester, none before it is proven."


class Start(Screen[None]):
    """Asks what to do until something is begun."""

    def __init__(self, clock: Clock) -> None:
        super().__init__()
        self._clock = clock
        self._error = ""

    def on_mount(self) -> None:
        """Ask."""
        self._ask()

    @work(exclusive=True)
    async def _ask(self) -> None:
        begun = False
        while not begun:
            choices = await asyncio.to_thread(_choices, Path.cwd())
            question = f"{harmless(self._error, 600)}\n\n{WELCOME}" if self._error else WELCOME
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
            await self.app.push_screen_wait(Page("Meters within reach", await asyncio.to_thread(_meter_lines)))
            return False
        path = await self._new(picked) if picked.startswith(PLAN) else await self._path(picked)
        if path is None:
            return False
        urls = await self._meters()
        if urls is None:
            return False
        opened = await asyncio.to_thread(self._open, path, urls)
        self.app.post_message(Begun(opened))
        return True

    def _open(self, path: Path, urls: list[str]) -> Opened:
        return open_logbook(path, [address.parse(url) for url in urls], self._clock, Pump())

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
        await asyncio.to_thread(start_logbook, plan, path)
        return path

    async def _meters(self) -> list[str] | None:
        found, whole = await asyncio.to_thread(nearby.meters)
        choices = [Choice(meter.url, meter.url, meter.words) for meter in found]
        note = "" if whole else "the list of ports may not be whole"
        choices += [
            Choice(OTHER_METER, "another address", note or "tcp:127.0.0.1:4000, ble:NAME, replay:FILE"),
            Choice(KEYED, "a meter without a data port: I key in what it shows"),
            Choice(NO_METER, "no meter today"),
        ]
        picked = await self.app.push_screen_wait(Choose("With which meter?", choices))
        if picked == OTHER_METER:
            picked = await self.app.push_screen_wait(Ask("What is its address?", "tcp:127.0.0.1:4000"))
        return None if picked is None else [] if picked == NO_METER else [picked]


def _choices(folder: Path) -> list[Choice]:
    found = [Choice(f"{OPEN}{path}", f"Open {path.name}", "logbook") for path in nearby.logbooks(folder)]
    new = [Choice(f"{PLAN}{path}", f"New job from {path.name}", "plan") for path in nearby.plans(folder)]
    return [
        *found,
        *new,
        Choice(DEMO, "Demo: the whole job on a simulated site"),
        Choice(METERS, "Look for meters"),
        Choice(OPEN, "Open another logbook"),
        Choice(PLAN, "New job from another plan"),
    ]


def _meter_lines() -> Lines:
    found, whole = nearby.meters()
    lines = tuple(plain(f"{meter.url}  {meter.words}") for meter in found)
    lines = lines or (plain("No serial port has anything on it: plug the meter in and look again."),)
    return lines if whole else (*lines, faint("The list may not be whole: a port did not answer in time."))


def _as_path(text: str) -> Path:
    """A path as people write it."""
    return Path(text).expanduser()
