"""The whole sentence: facts and newest events in, the working screen out."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from logger.clock import from_rfc3339
from logger.text import harmless
from tui.facts import Facts, WorkFacts
from tui.live import Live
from tui.present import day_and_time
from tui.sentence.covers import Covers
from tui.sentence.log_lines import log_lines, work_done, work_lines
from tui.sentence.means import means
from tui.sentence.next_step import next_step
from tui.sentence.on_test import on_test
from tui.sentence.open_alterations import open_alterations
from tui.sentence.walk_now import Walking
from tui.sentence.we_see import we_see
from tui.sentence.with_meter import with_meter
from tui.view import HandsView, ScreenView, WorkLine

TITLE_CHARACTERS: Final = 52
"""Longest title, characters: beside it stands the day and the time."""


class Sentence:
    """Composes views, and keeps what is dear to work out until it changes."""

    def __init__(self) -> None:
        self._covers = Covers()
        self._walking = Walking()
        self._work: tuple[WorkLine, ...] = ()
        self._work_of: tuple[WorkFacts, object] | None = None

    def compose(self, facts: Facts, live: Live, hands: HandsView | None = None) -> ScreenView:
        """The working screen as it stands now."""
        cover = self._covers.cover(facts)
        walk = self._walking.now(facts, has_result=live.result is not None)
        now = from_rfc3339(facts.now_at) + timedelta(minutes=facts.utc_offset_min)
        return ScreenView(
            title=harmless(facts.plan.title, TITLE_CHARACTERS) + (" (closed)" if facts.closed else ""),
            time=day_and_time(now),
            with_meter=with_meter(facts, live),
            on_test=on_test(facts),
            we_see=we_see(facts, live),
            means=means(facts),
            covers=cover.lines,
            open_alterations=open_alterations(facts),
            next_step=next_step(facts, live, cover, walk, hands),
            log=log_lines(live, facts.utc_offset_min),
            work=self._work_lines(facts),
            work_done=work_done(facts),
            trouble=harmless(facts.trouble),
            hands=hands,
        )

    def _work_lines(self, facts: Facts) -> tuple[WorkLine, ...]:
        if self._work_of is None or self._work_of[0] is not facts.work or self._work_of[1] != facts.selection:
            self._work_of = (facts.work, facts.selection)
            self._work = work_lines(facts)
        return self._work
