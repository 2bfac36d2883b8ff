"""What lives is set aside, and everything is looked at once a screen has been left, not often."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from weakref import ref

import pytest

from logger.clock import NS_PER_S
from tui.memory import LOOK_AT_ALL_NS, LOOK_AT_LAST_NS, SET_ASIDE_EVERY_NS, Memory


class Ring:
    """Only the collector frees it."""

    def __init__(self) -> None:
        self.me = self


@pytest.fixture(autouse=True)
def as_it_was() -> Iterator[None]:
    yield
    gc.unfreeze()


def test_what_lives_is_set_aside_every_two_seconds() -> None:
    memory = Memory(0)
    before = gc.get_freeze_count()
    kept = [[number] for number in range(1_000)]
    memory.look(SET_ASIDE_EVERY_NS - 1, 1)
    assert gc.get_freeze_count() <= before
    memory.look(SET_ASIDE_EVERY_NS, 1)
    assert gc.get_freeze_count() >= before + len(kept)


@pytest.mark.parametrize(
    ("at_ns", "screens", "freed"),
    [
        (LOOK_AT_ALL_NS, 1, True),  # a screen was left
        (LOOK_AT_ALL_NS, 2, False),
        (LOOK_AT_ALL_NS - 1, 1, False),  # the last look was but now
        (LOOK_AT_LAST_NS, 2, True),
    ],
)
def test_a_screen_that_was_left_is_looked_for(at_ns: int, screens: int, freed: bool) -> None:
    memory = Memory(0)
    ring = Ring()
    gone = ref(ring)
    memory.look(3 * NS_PER_S, 2)  # set aside while it lives
    del ring
    memory.look(at_ns, screens)
    assert (gone() is None) is freed
