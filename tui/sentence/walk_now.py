"""Where a walk stands, for NEXT: its next step in words, and whether its reading is under way."""

from __future__ import annotations

from dataclasses import dataclass

from tui.facts import Facts
from tui.sentence.standing_now import set_up_now
from tui.sentence.walk_words import step_sentence
from tui.walk import Walk


@dataclass(frozen=True, slots=True)
class WalkNow:
    """What NEXT says of a walk.

    Attributes:
        purpose: the action that goes on with it; empty where there is none, or it no longer fits the installation.
        step: its next step, a sentence; empty where only what the readings say is left.
        reading: what is selected is its own reading: what is off is meant to be.
    """

    purpose: str = ""
    step: str = ""
    reading: bool = False


NO_WALK = WalkNow()


class Walking:
    """Works it out anew only when walk, positions or alterations have changed."""

    def __init__(self) -> None:
        self._last: tuple[Walk, object, bool] | None = None

    def now(self, facts: Facts, *, has_result: bool) -> WalkNow:
        """Where it stands. `has_result`: a result was taken under the present selection."""
        walk = facts.walk
        if walk is None or not self._stands(walk, facts):
            return NO_WALK
        reading = _is_its_reading(walk, facts)
        place = walk.place + 1 if reading and has_result else walk.place
        if place < len(walk.steps):
            return WalkNow(walk.purpose, step_sentence(walk, place), reading)
        return WalkNow(walk.purpose, "", reading) if walk.purpose == "hunt" else NO_WALK

    def _stands(self, walk: Walk, facts: Facts) -> bool:
        key = (tuple(facts.positions.items()), facts.alterations)
        if self._last is None or self._last[0] is not walk or self._last[1] != key:
            self._last = (walk, key, walk.stands(set_up_now(walk.network, facts)))
        return self._last[2]


def _is_its_reading(walk: Walk, facts: Facts) -> bool:
    step, selected, selection = walk.step, walk.selected, facts.selection
    if step is None or step.do != "take" or selected is None or selection is None:
        return False
    fields = selected.fields
    return (selection.item, str(selection.test), selection.between) == (
        fields["item"],
        fields["test"],
        fields["between"],
    )
