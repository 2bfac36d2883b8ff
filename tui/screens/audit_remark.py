"""Asking for a remark and writing it: its words, whose they are, in which role; then what came of it."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Any

from textual.app import App

from logger.audit.remarking import AUDITOR, Words, Written, refuse_while_recording, write_remark
from logger.errors import ZerofirstError
from logger.text import harmless
from tui.operators import own_key, user_name
from tui.screens.ask import Ask
from tui.screens.page import Page
from tui.view import Lines, Tone, plain, strong

if TYPE_CHECKING:
    from logger.clock import Clock


async def ask_remark(app: App[Any], path: Path, about: int, clock: Clock) -> bool:
    """Ask, write, tell. True if a remark was written; where something is wrong, what was typed stands there again."""
    try:
        await asyncio.to_thread(refuse_while_recording, path)
    except ZerofirstError as error:
        await app.push_screen_wait(Page("Not now", (plain(harmless(str(error), 600)),)))
        return False
    text, by, role = "", user_name(), AUDITOR
    while True:
        question = f"What do you remark on entry {about}? It is signed with your key, and stays."
        said = await app.push_screen_wait(Ask(question, "Ask whose leads these were.", typed=text))
        who = said and await app.push_screen_wait(Ask("Your name, as it is to stand there?", "Ben Ode", typed=by))
        what = who and await app.push_screen_wait(Ask("In which role?", AUDITOR, typed=role))
        if not (said and who and what):
            return False
        text, by, role = said, who, what
        try:
            written = await asyncio.to_thread(write_remark, path, Words(about, text, by, role), own_key, clock)
        except ZerofirstError as error:
            lines: Lines = (strong(harmless(str(error), 600), Tone.BAD), plain(""), plain("Nothing was written."))
            await app.push_screen_wait(Page("The remark was not written", lines))
            continue
        await app.push_screen_wait(Page("The remark is written", _written_lines(path, about, written)))
        return True


def _written_lines(path: Path, about: int, written: Written) -> Lines:
    beside = written.path.name != path.name
    where = f"entry {written.entry} of {harmless(written.path.name, 80)}"
    why = "The logbook is closed and takes no entry, so the remark stands beside it: keep the two together."
    return (
        strong(f"It is {where}, on entry {about}.", Tone.GOOD),
        *((plain(why),) if beside else ()),
        plain(f"Signed by {harmless(written.key.name, 80)}, key {written.key.fingerprint}."),
        plain(f"Checkpoint {written.checkpoint.short_code}: whoever has it can tell whether the remark was taken out."),
    )
