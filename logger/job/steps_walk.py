"""Steps being put together, each tried on the set-up as it is added: none is proposed that would be refused."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from logger.job.alterations import AlterationKind, meaning_of
from logger.job.joins import JoinKind, Spoiler
from logger.job.model import Circuit, DeviceKind
from logger.job.network import Network
from logger.job.reach import reach
from logger.job.reach_model import Reach
from logger.job.setup import Alteration, SetUp, alter, apply_set, restore, standing, to_put_back
from logger.job.wiring import SUPPLY
from logger.quantity import Test

DEAD: Final = "the test is taken dead: part the supply and prove it dead"
"""Why the supply goes first."""


def is_delicate(circuit: Circuit) -> bool:
    """Whether a test voltage can destroy what hangs on the circuit."""
    return circuit.load is not None and circuit.load.kind == "electronics"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, as a step of `capture`.

    Attributes:
        do: `set`, `alter`, `restore`, `select` or `take`.
        fields: the other fields of the step, without `why`.
        why: what it is for, for the person who does it.
        covers: for `take`: the runs that this reading is the first to reach.
    """

    do: str
    fields: Mapping[str, str] = field(default_factory=dict)
    why: str = ""
    covers: tuple[str, ...] = ()

    def body(self) -> dict[str, object]:
        """As JSON."""
        found: dict[str, object] = {"do": self.do, **self.fields}
        if self.why:
            found["why"] = self.why
        if self.do == "take":
            found["covers"] = list(self.covers)
        return found


@dataclass(frozen=True, slots=True)
class StepPlan:
    """The work, in order.

    Attributes:
        readings: how many readings; no fewer can cover what they cover.
        moves: how often a device is moved, back to where it stood included; with so many readings no fewer do.
        left: runs that no setting of the devices reaches.
        exact: whether the two counts are proven least; not where conductors are off their terminals or devices were
            held by an alteration, which are put back or worked around as they come.
    """

    test: Test
    between: str
    steps: tuple[Step, ...]
    readings: int
    moves: int
    left: tuple[str, ...]
    exact: bool

    def without_energising(self) -> StepPlan:
        """The same work with the supply left as the tests need it: nobody is ever told to energise."""
        kept = never_on(self.steps)
        return replace(self, steps=kept, moves=self.moves - (len(self.steps) - len(kept)))

    def body(self) -> dict[str, object]:
        """As JSON."""
        return {
            "test": self.test.value,
            "between": self.between,
            "steps": [step.body() for step in self.steps],
            "readings": self.readings,
            "moves": self.moves,
            "exact": self.exact,
            "left": list(self.left),
        }


def never_on(steps: Sequence[Step]) -> tuple[Step, ...]:
    """The steps without any that joins the supply."""
    return tuple(step for step in steps if not _joins_the_supply(step))


def _joins_the_supply(step: Step) -> bool:
    if step.do == "restore":
        return step.fields.get("what") == SUPPLY
    return step.fields.get("device") == SUPPLY and step.fields.get("position") == "on"


class Walk:
    """The steps so far and the set-up that they lead to."""

    def __init__(self, network: Network, setup: SetUp, test: Test, between: str) -> None:
        self.network = network
        self.began = setup.positions
        self.setup = setup
        self.test = test
        self.between = between
        self.reached: set[str] = set()
        self.left: set[str] = set()
        self._steps: list[Step] = []
        self._readings = 0
        self._moves = 0
        kinds = {meaning_of(network, each.what, each.to).kind for each in setup.alterations}
        self._exact = not kinds & {AlterationKind.DEVICE_HELD, AlterationKind.CONDUCTOR_OFF}

    @property
    def positions(self) -> Mapping[str, str]:
        """How every device stands now, alterations included."""
        return standing(self.network, self.setup).positions

    @property
    def steps(self) -> tuple[Step, ...]:
        """The steps so far, nothing put back yet."""
        return tuple(self._steps)

    def put(self, device: str, position: str, why: str = "") -> None:
        """Set a device, if it does not stand there already; an alteration that holds it elsewhere is undone first."""
        if self.positions[device] == position:
            return
        for each in self.setup.alterations:
            without = restore(self.network, self.setup, each.what)
            if standing(self.network, without).positions[device] != self.positions[device]:
                self.undo(each.what, f"it holds {device} {self.positions[device]}")
        if self.positions[device] != position:
            self.setup = apply_set(self.network, self.setup, device, position)
            self._steps.append(Step("set", {"device": device, "position": position}, why))
            self._moves += 1

    def change(self, what: str, to: str, why: str) -> None:
        """Alter something for the time being."""
        self.setup = alter(self.network, self.setup, Alteration(what, to, why))
        self._steps.append(Step("alter", {"what": what, "to": to}, why))

    def undo(self, what: str, why: str = "") -> None:
        """Put something back."""
        self.setup = restore(self.network, self.setup, what)
        self._steps.append(Step("restore", {"what": what}, why))

    def reach_at(self, at: str, between: str | None = None, positions: Mapping[str, str] | None = None) -> Reach:
        """What a reading would reach now, or with some devices set otherwise."""
        setup = self.setup
        if positions:
            setup = replace(setup, positions={**setup.positions, **positions})
        return reach(self.network, setup, self.test, between or self.between, at)

    def take(self, at: str, between: str | None = None) -> None:
        """Select and read."""
        found = self.reach_at(at, between)
        new = tuple(name for name in found.reached if name not in self.reached)
        self.reached |= set(new)
        fields = {"item": at, "test": self.test.value, "between": between or self.between}
        self._steps += [Step("select", fields), Step("take", covers=new)]
        self._readings += 1

    def cure(self, spoilers: Collection[Spoiler]) -> bool:
        """Take away what spoils a reading, bridges and links first: loads spoil through them. False: nothing to do."""
        unplugged = {each.target for each in spoilers if each.cause is JoinKind.LOAD}
        spoilers = [each for each in spoilers if not (each.cause is JoinKind.SURGE and each.target in unplugged)]
        for kinds in ({JoinKind.BRIDGE}, {JoinKind.LINK, JoinKind.SURGE}, {JoinKind.LOAD}):
            now = [each for each in spoilers if each.cause in kinds]
            for each in now:
                self._cure(each)
            if now:
                return True
        return False

    def _cure(self, spoiler: Spoiler) -> None:
        target = spoiler.target
        if spoiler.cause is JoinKind.BRIDGE:
            self.undo(target, spoiler.why)
        elif spoiler.cause is JoinKind.LINK:
            self.change(target, "out", spoiler.why)
        elif spoiler.cause is JoinKind.SURGE and not is_delicate(self.network.circuits[target]):
            self.change(f"surge device of {target}", "out", spoiler.why)
        else:
            load = self.network.circuits[target].load
            lamps = load is not None and load.kind == "lighting"
            what, to = (f"lamps of {target}", "out") if lamps else (f"load of {target}", "unplugged")
            self.change(what, to, spoiler.why)

    def put_back(self) -> None:
        """Everything as it was: alterations first, then devices, the supply last."""
        for each in reversed(to_put_back(self.network, self.setup)):
            self.undo(each.what, each.by)
        moved = [name for name, where in self.began.items() if self.setup.positions[name] != where]
        for name in sorted(moved, key=lambda name: name == SUPPLY):
            if self.network.devices[name].kind is not DeviceKind.LINK:
                self.put(name, self.began[name], "back to where it stood")

    def plan(self) -> StepPlan:
        """The steps, with everything put back at their end if there was anything to do."""
        if self._readings:
            self.put_back()
        left = self.network.in_order(self.left - self.reached)
        return StepPlan(self.test, self.between, tuple(self._steps), self._readings, self._moves, left, self._exact)
