"""The installation drawn for the set-up page: what the selected test reaches as it stands, and what must go back."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from logger.job.drawing import Look
from logger.job.drawing_text import StyledText, draw
from logger.job.network import Network
from logger.job.network_of import network_of
from logger.job.reach_model import Reach
from logger.job.setup import SetUp, to_put_back
from logger.text import harmless
from tui.facts import Facts
from tui.present import between_words, local_time, test_words
from tui.sentence.standing_now import reach_now, set_up_now
from tui.view import Line, Lines, Tone, Weight, Words, faint, plain, strong

WORDS_AT_MOST: Final = 240
"""Longest sentence of a reason or alteration, characters: three rows of the least terminal."""

DRAWN_AS: Final[dict[Look, tuple[Weight, Tone]]] = {
    Look.PLAIN: (Weight.PLAIN, Tone.CALM),
    Look.REACHED: (Weight.STRONG, Tone.GOOD),
    Look.PARTLY: (Weight.STRONG, Tone.WARN),
    Look.UNREACHED: (Weight.PLAIN, Tone.WARN),
    Look.ALTERED: (Weight.STRONG, Tone.WARN),
    Look.SPOILED: (Weight.STRONG, Tone.BAD),
    Look.NAME: (Weight.PLAIN, Tone.CALM),
    Look.WORDS: (Weight.FAINT, Tone.CALM),
}
"""Weight and tone of each look; the drawing itself has a sign for every one of them."""


def set_up_heading(facts: Facts) -> str:
    """What the drawing is about."""
    selection = facts.selection
    if selection is None:
        return "The set-up as it stands; nothing is chosen to be tested"
    between = f", {between_words(selection.between)}" if selection.between else ""
    return f"The set-up for {harmless(selection.item, 16)} {test_words(selection.test)}{between}"


def set_up_lines(facts: Facts, width: int) -> Lines:
    """The page: what is reached in a sentence, what spoils it, the drawing, what must go back.

    Args:
        width: columns there are for it.
    """
    network = network_of(facts.plan)
    if network is None:
        return (plain("There is no installation to draw: the job is about appliances, or its plan cannot be wired."),)
    setup, found = set_up_now(network, facts), reach_now(network, facts)
    return (
        *_in_words(facts, found),
        plain(""),
        *(_drawn(line) for line in draw(network, setup, found, width)),
        plain(""),
        *_back(facts, network, setup),
    )


def _in_words(facts: Facts, found: Reach | None) -> Iterator[Line]:
    if found is None:
        if facts.selection is not None:
            yield faint("This test reaches nothing of the drawing: it looks at no conductors, or at what is not drawn.")
        return
    whole = len(found.reached) + len(found.unreached)
    share = f"{len(found.reached)} of {whole} runs, {found.share_length:.0%} by length"
    yield strong(f"Reached: {share}.", Tone.GOOD if not found.unreached else Tone.WARN)
    for spoiler in found.spoiled_by:
        yield strong(f"× Spoiled: {harmless(spoiler.why, WORDS_AT_MOST)}.", Tone.BAD)
    for note in found.notes:
        yield faint(harmless(note, WORDS_AT_MOST))


def _drawn(line: tuple[StyledText, ...]) -> Line:
    return tuple(Words(part.text, *DRAWN_AS[part.look]) for part in line)


def _back(facts: Facts, network: Network, setup: SetUp) -> Iterator[Line]:
    waiting = to_put_back(network, setup)
    if not waiting:
        yield plain("Nothing is altered: nothing must be put back.")
        return
    yield strong(f"To be put back before supply: {len(waiting)}", Tone.WARN)
    for each in waiting:
        since = f" since {local_time(each.since, facts.utc_offset_min)[:5]}" if each.since else ""
        why = f", for {harmless(each.why, 60)}" if each.why else ""
        yield plain(f"! {harmless(each.what, 40)} is {harmless(each.now, 24)}{since}{why}: {each.by}")
