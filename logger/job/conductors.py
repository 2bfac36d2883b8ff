"""Conductors by name, and what a test is taken between: `L+N/PE` as groups on the leads.

Knows names only; what stands where is `logger.job.network`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from logger.errors import InputWrong
from logger.quantity import Test

if TYPE_CHECKING:
    from logger.job.model import Circuit, Plan

LINE: Final = "L"
NEUTRAL: Final = "N"
EARTH: Final = "PE"
PHASES: Final = ("L1", "L2", "L3")
STRAPPERS: Final = ("S1", "S2")
"""The two runs between a two-way pair: either can carry the line."""

USUAL_BETWEEN: Final[dict[Test, str]] = {
    Test.INSULATION: "L+N/PE",
    Test.EARTH_CONTINUITY: "PE",
    Test.RING_CONTINUITY: "L/N/PE",
    Test.POLARITY: "L/N",
    Test.CONNECTIONS: "L/N/PE",
    Test.EARTH_ELECTRODE: "PE",
    Test.EARTH_LOOP: "L/PE",
    Test.LINE_LOOP: "L/N",
    Test.RCD_TIME: "L/PE",
    Test.RCD_CURRENT: "L/PE",
    Test.PHASE_ROTATION: "L",
    Test.VOLTAGE: "L/N",
}
"""What a test is taken between where nobody says; a test that is missing here does not look at conductors."""

GROUPS_AT_MOST: Final = 4
"""Most groups in one `between`, leads: three lines and neutral; no tester has more."""


@dataclass(frozen=True, slots=True)
class Between:
    """What a test is taken between.

    Attributes:
        groups: conductors by lead; those of one group are joined. `L` stands for every line there is.
    """

    groups: tuple[tuple[str, ...], ...]

    @property
    def text(self) -> str:
        """As people write it: `L+N/PE`."""
        return "/".join("+".join(group) for group in self.groups)

    @property
    def conductors(self) -> tuple[str, ...]:
        """All of them, once each, in the order given."""
        return tuple(dict.fromkeys(name for group in self.groups for name in group))


def lines_of(plan: Plan) -> tuple[str, ...]:
    """The line conductors of an installation: `L`, or `L1 L2 L3`."""
    if plan.supply is not None:
        return PHASES if plan.supply.phases == 3 else (LINE,)
    return PHASES if any(circuit.phase != LINE for circuit in plan.circuits) else (LINE,)


def lines_of_circuit(circuit: Circuit) -> tuple[str, ...]:
    """The line conductors that one circuit has."""
    return PHASES if circuit.phase == "".join(PHASES) else (circuit.phase,)


def read_between(text: str, plan: Plan) -> Between:
    """`text` as groups of conductors that this installation has.

    Raises:
        InputWrong: a conductor that is not there, one on two leads, or nothing at all.
    """
    groups = tuple(tuple(name.strip().upper() for name in group.split("+")) for group in text.split("/"))
    between = Between(tuple(tuple(dict.fromkeys(group)) for group in groups))
    known = tuple(dict.fromkeys((LINE, *lines_of(plan), NEUTRAL, EARTH)))
    strange = [name for name in between.conductors if name not in known]
    if strange or len(groups) > GROUPS_AT_MOST:
        what = f"{strange[0] or 'nothing'!r} is no conductor of this installation" if strange else "too many leads"
        raise InputWrong(f"Between {text!r}: {what}", f"join {', '.join(known)} with + and part the leads with /")
    held = [name for group in between.groups for name in expanded(group, lines_of(plan))]
    twice = next((name for name in held if held.count(name) > 1), None)
    if twice is not None:
        raise InputWrong(f"Between {text!r}: {twice} is on two leads", "a conductor goes on one lead only")
    return between


def expanded(names: tuple[str, ...], lines: tuple[str, ...]) -> tuple[str, ...]:
    """`names` with `L` as every line of `lines`; a line that is not among them drops out."""
    found: list[str] = []
    for name in names:
        if name == LINE:
            found += lines
        elif name in {NEUTRAL, EARTH} or name in lines:
            found.append(name)
    return tuple(found)


def is_line(conductor: str) -> bool:
    """Whether a segment's conductor carries a line: the strappers of a two-way pair do."""
    return conductor not in {NEUTRAL, EARTH}
