"""A walk through steps that were worked out: which one is next, and whether the log stands where the walk has come to.

Values only. The steps come from `logger.job.steps` or `logger.job.hunt`; showing them and handing them to the session
once a person has confirmed them is `tui.screens.walking`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from logger.errors import InputWrong
from logger.job.network import Network
from logger.job.setup import Alteration, SetUp, alter, apply_set, restore, standing
from logger.job.steps_walk import Step
from logger.state import ResultState


@dataclass(frozen=True, slots=True)
class Walk:
    """Where a walk has come to.

    Attributes:
        purpose: the action that goes on with it.
        heading: what it is for and how much work it is.
        began: how the installation stood when the steps were worked out.
        place: how many steps are done.
        since: entry after which the result must lie that ends the reading under way.
    """

    purpose: str
    heading: str
    network: Network
    began: SetUp
    steps: tuple[Step, ...]
    place: int = 0
    since: int = 0

    @property
    def step(self) -> Step | None:
        """What is to be done now; None where all is done."""
        return self.steps[self.place] if self.place < len(self.steps) else None

    @property
    def selected(self) -> Step | None:
        """The `select` that the reading under way, or the one to come, belongs to."""
        step = self.step
        if step is not None and step.do == "take":
            return next((each for each in reversed(self.steps[: self.place]) if each.do == "select"), None)
        return step if step is not None and step.do == "select" else None

    def onward(self, since: int | None = None) -> Walk:
        """The walk with this step done. `since`: the newest result's entry, where a reading is to come."""
        return replace(self, place=self.place + 1, since=self.since if since is None else since)

    def expected(self) -> SetUp:
        """How the installation stands if every step so far is in the log.

        Raises:
            InputWrong: never for steps that were worked out from `began`.
        """
        setup = self.began
        for step in self.steps[: self.place]:
            setup = _after(self.network, setup, step)
        return setup

    def stands(self, now: SetUp) -> bool:
        """Whether `now` is where the walk has come to."""
        try:
            return _seen(self.network, self.expected()) == _seen(self.network, now)
        except InputWrong:
            return False

    def has_result(self, results: Sequence[ResultState]) -> bool:
        """Whether the reading under way has its result."""
        selected = self.selected
        if selected is None:
            return False
        item, test, between = (selected.fields[name] for name in ("item", "test", "between"))
        return any(
            each.entry > self.since and (each.item, each.test, each.body.get("between")) == (item, test, between)
            for each in results
        )


def _after(network: Network, setup: SetUp, step: Step) -> SetUp:
    match step.do:
        case "set":
            return apply_set(network, setup, step.fields["device"], step.fields["position"])
        case "alter":
            return alter(network, setup, Alteration(step.fields["what"], step.fields["to"], step.why))
        case "restore":
            return restore(network, setup, step.fields["what"])
        case _:
            return setup


def _seen(network: Network, setup: SetUp) -> object:
    """What must be alike: where every device stands, and what is altered; not when, why or in which order."""
    return dict(standing(network, setup).positions), {(each.what, each.to) for each in setup.alterations}
