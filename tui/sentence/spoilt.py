"""What spoils a reading, in the fewest words, and what is done about it: what explains the figure comes first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from logger.job.joins import JoinKind, Spoiler
from logger.job.model import Circuit
from logger.job.wiring import SUPPLY
from logger.text import harmless
from tui.facts import Facts

WORDS_CHARACTERS: Final = 100
"""Longest words for what has no short ones, characters: the first half of its own sentence."""

ORDER: Final = (JoinKind.LINK, JoinKind.BRIDGE, JoinKind.LOAD, JoinKind.SURGE)
"""What makes a reading near zero, the most certain first; the supply and the rest come after it."""


@dataclass(frozen=True, slots=True)
class Spoilt:
    """One thing that spoils the reading.

    Attributes:
        words: what it is (`link LK1 is in`).
        remedy: what to do about it, as an order without its stop (`take LK1 out`); empty where none can be given.
        target: id of what the remedy is done to.
        supply: it is the supply, which a dead test must be parted from.
    """

    words: str
    remedy: str = ""
    target: str = ""
    supply: bool = False


def spoilt_by(facts: Facts, spoilers: Sequence[Spoiler]) -> tuple[Spoilt, ...]:
    """All that spoils, what explains a reading near zero first."""
    ranked = sorted(spoilers, key=lambda each: ORDER.index(each.cause) if each.cause in ORDER else len(ORDER))
    return tuple(replace(_spoilt(facts, each), target=each.target) for each in ranked)


def _spoilt(facts: Facts, spoiler: Spoiler) -> Spoilt:
    target, what = harmless(spoiler.target, 24), harmless(spoiler.what, 40)
    match spoiler.cause:
        case JoinKind.LINK if facts.positions.get(spoiler.target) == "out":
            return Spoilt(f"link {target} is out", f"put link {target} back")
        case JoinKind.LINK:
            return Spoilt(f"link {target} is in", f"take link {target} out")
        case JoinKind.BRIDGE:
            return Spoilt(f"bridge {target} is in", f"take bridge {target} out")
        case JoinKind.SURGE:
            return Spoilt(f"{what} is in", f"take the {what} out")
        case JoinKind.LOAD:
            return Spoilt(f"{what} are in", _load_remedy(facts, spoiler.target, what))
        case _ if spoiler.target == SUPPLY:
            return Spoilt("the supply is connected", "isolate the supply and prove it dead", supply=True)
        case _:
            return Spoilt(harmless(spoiler.why.partition(";")[0], WORDS_CHARACTERS))


def _load_remedy(facts: Facts, circuit: str, what: str) -> str:
    item = facts.plan.item(circuit)
    kind = item.load.kind if isinstance(item, Circuit) and item.load else ""
    verb = {"lighting": "take the {} out", "sockets": "unplug the {}"}.get(kind, "disconnect the {}")
    return verb.format(what)
