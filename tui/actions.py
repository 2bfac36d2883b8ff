"""Everything a person can do on the working screen: one table, from which keys, hints, help, palette and README come.

Letters are for the app, digits for the simulated hands of a demo. Every terminal passes each of these keys on.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Scope(StrEnum):
    """When an action is there."""

    WORK = "work"
    """While a job is being recorded."""
    LOOK = "look"
    """Always, in a closed logbook too."""
    HANDS = "hands"
    """Only where the meter is simulated: what the person's hands do to leads and meter."""


@dataclass(frozen=True, slots=True)
class Action:
    """One thing that can be done.

    Attributes:
        name: the screen's `action_NAME`.
        keys: keys as Textual names them, the first one shown.
        shown: the key as a person reads it.
        short: one or two words, for a hint; words: a sentence's worth, for help and palette.
    """

    name: str
    keys: tuple[str, ...]
    shown: str
    short: str
    words: str
    scope: Scope = Scope.WORK


ACTIONS: Final[tuple[Action, ...]] = (
    Action("take", ("enter",), "Enter", "take", "take the reading as the result of the selected test"),
    Action("choose", ("c",), "c", "choose", "choose what is tested: item, test, voltage"),
    Action("apart", ("a",), "a", "leads are apart", "check infinity: the leads are apart"),
    Action("joined", ("j",), "j", "leads are joined", "check zero: the leads are joined"),
    Action("known", ("v",), "v", "known value", "check a reference: the leads are on a known value"),
    Action("understood", ("u",), "u", "read and done", "confirm the caution that stands before this test"),
    Action("yes", ("y",), "y", "in order", "judge by eye: it is in order"),
    Action("no", ("n",), "n", "not in order", "judge by eye: it is not in order, and why"),
    Action("device", ("d",), "d", "device", "say how a switch, breaker or link stands now"),
    Action("alter", ("o",), "o", "open, put back", "alter something for a test, or say that it is put back"),
    Action("least_work", ("g",), "g", "next step", "walk through the least work for this test, a step at a time"),
    Action("hunt", ("h",), "h", "find it", "find which circuit makes the insulation of the whole fail"),
    Action("skip", ("s",), "s", "skip", "leave a test out, with the reason"),
    Action("note", ("w",), "w", "write", "write a note into the log"),
    Action("key_in", ("k",), "k", "key it in", "key in what a meter without a data port shows"),
    Action("work_list", ("t",), "t", "tests", "the work list: every item, every test, what came of it", Scope.LOOK),
    Action(
        "set_up", ("i",), "i", "set-up", "the installation drawn: what the test reaches, what must go back", Scope.LOOK
    ),
    Action("which_meter", ("e",), "e", "which meter", "say which meter is on what is tested, where several are here"),
    Action("log", ("l",), "l", "log", "the log: every entry, down to its raw bytes", Scope.LOOK),
    Action("meters", ("m",), "m", "meters", "the meters: who they are, what they are proven for", Scope.LOOK),
    Action(
        "timed_runs",
        ("p",),
        "p",
        "timed runs",
        "timed runs of insulation: 30 s, 60 s and 10 min, DAR and PI",
        Scope.LOOK,
    ),
    Action("reckon", ("r",), "r", "reckon", "reckon: the trade's formulas, with their working and source", Scope.LOOK),
    Action("finish", ("f",), "f", "finish", "close the logbook, or see what keeps it open"),
    Action(
        "everything", ("slash", "ctrl+p"), "/", "everything", "find anything that can be done, by its words", Scope.LOOK
    ),
    Action("help", ("question_mark", "f1"), "?", "help", "the keys, and how to read the screen (also F1)", Scope.LOOK),
    Action("daylight", ("b",), "b", "bright", "switch between bright and dark", Scope.LOOK),
    Action("quit", ("q", "ctrl+q", "ctrl+c"), "q", "quit", "leave; everything recorded is on disk", Scope.LOOK),
    Action("hands_apart", ("1",), "1", "part", "simulated hands: hold the leads apart", Scope.HANDS),
    Action("hands_joined", ("2",), "2", "join", "simulated hands: hold the leads together", Scope.HANDS),
    Action("hands_on", ("3",), "3", "on item", "simulated hands: put the leads on the selected item", Scope.HANDS),
    Action("hands_function", ("4",), "4", "turn", "simulated hands: turn the meter to a function", Scope.HANDS),
    Action("hands_voltage", ("5",), "5", "volts", "simulated hands: set the meter's test voltage", Scope.HANDS),
    Action("hands_supply", ("6",), "6", "supply", "simulated hands: connect the supply, or isolate it", Scope.HANDS),
    Action("hands_other", ("0",), "0", "more", "simulated hands: anything else they can do, in words", Scope.HANDS),
)
"""In the order in which help and palette list them."""

BY_NAME: Final[dict[str, Action]] = {action.name: action for action in ACTIONS}


def as_markdown() -> str:
    """The table of keys as the README has it."""
    rows = [f"| `{action.shown}` | {action.words} |" for action in ACTIONS]
    return "\n".join(["| key | does |", "| --- | --- |", *rows])
