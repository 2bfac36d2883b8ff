"""A step of a walk, and where a hunt stands, as lines for a sheet."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from logger.job.hunt import Finding, Part
from logger.job.hunt_words import bounds_words, hunt_sentence
from logger.job.setup import SetUp
from logger.job.steps_walk import StepPlan
from logger.quantity import UNITS
from logger.text import harmless
from tui.cli.steps import step_words
from tui.present import between_words, test_words
from tui.view import Line, Lines, Tone, faint, plain, strong
from tui.walk import Walk

COMING_AT_MOST: Final = 6
"""How many of the steps to come are told, a count: a sheet of the least terminal."""

SENTENCE_AT_MOST: Final = 600
"""Longest sentence of a hunt shown, characters."""

NAME_COLUMNS: Final = 20

NOTHING_NEW: Final = ": 0 runs more"
"""What is said of a reading that is not taken for what it covers: those of a hunt."""


def plan_heading(found: StepPlan) -> str:
    """What the work is for, and how much it is."""
    what = f"{test_words(found.test)}, {between_words(found.between)}"
    if not found.steps:
        return what
    readings = f"{found.readings} reading{'' if found.readings == 1 else 's'}"
    moves = f"{found.moves} move{'' if found.moves == 1 else 's'}"
    return f"The least work for {what}: {readings}, {moves}" + (", and no fewer do" if found.exact else "")


def stride_heading(walk: Walk) -> str:
    """How far the walk is. Choosing and reading are one step to a person."""
    done, whole = _counted(walk, walk.place), _counted(walk, len(walk.steps))
    return f"Step {min(done + 1, whole)} of {whole}. {walk.heading}"


def stride_lines(walk: Walk, note: str = "") -> Lines:
    """The step, heavy; then what comes after it."""
    step = walk.step
    if step is None:
        return ()
    lines = [strong(step_sentence(walk, walk.place))]
    if step.do == "take":
        lines.append(plain("Its result is not in the log yet: choose it again, read it and take it."))
    if note:
        lines.append(strong(note, Tone.WARN))
    coming = [n for n in range(walk.place + 1, len(walk.steps)) if walk.steps[n].do != "take"]
    lines += [plain(""), *(faint(f"then  {step_sentence(walk, place)}") for place in coming[:COMING_AT_MOST])]
    if len(coming) > COMING_AT_MOST:
        lines.append(faint(f"and {len(coming) - COMING_AT_MOST} more"))
    return tuple(lines)


def hunt_lines(finding: Finding, setup: SetUp) -> Lines:
    """What is known of every part, what it means, and what is still off."""
    still_off = [part.device for part in finding.parts if part.device and setup.positions.get(part.device) == "off"]
    last: tuple[Line, ...] = ()
    if finding.is_done and still_off:
        last = (
            plain(""),
            strong(f"Still off: {harmless(', '.join(still_off), 200)}. Say so when they are on.", Tone.WARN),
        )
    tone = Tone.BAD if finding.is_done and finding.verdicts.faulty else Tone.CALM
    sentence = strong(harmless(_signed(hunt_sentence(finding)), SENTENCE_AT_MOST), tone)
    return (sentence, plain(""), *_parts(finding), *last)


def _parts(finding: Finding) -> Iterator[Line]:
    said = finding.verdicts
    for part in finding.parts:
        words = f"{_signed(bounds_words(said.spans[part.id]))}{_behind(part)}"
        name = f"{harmless(part.id, NAME_COLUMNS):<{NAME_COLUMNS}}"
        if part.id in said.faulty:
            yield strong(f"{name} below  {words}", Tone.BAD)
        elif part.id in said.sound:
            yield plain(f"{name} sound  {words}")
        else:
            yield strong(f"{name} open   {words}", Tone.WARN)


def _signed(words: str) -> str:
    """Units as the rest of the screen has them."""
    return words.replace(" MOhm", f" {UNITS['MOhm'].sign}")


def _behind(part: Part) -> str:
    return f", behind {harmless(part.device, 16)}" if part.device else ""


def _counted(walk: Walk, upto: int) -> int:
    return sum(step.do != "take" for step in walk.steps[:upto])


def step_sentence(walk: Walk, place: int) -> str:
    """One step; a `select` is told with the reading that follows it."""
    step = walk.steps[place]
    follows = walk.steps[place + 1] if place + 1 < len(walk.steps) else None
    if step.do == "select" and follows is not None and follows.do == "take":
        step = follows
    words = step_words(step, walk.steps)
    return harmless(words if step.covers else words.replace(NOTHING_NEW, ""), SENTENCE_AT_MOST)
