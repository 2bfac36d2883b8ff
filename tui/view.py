"""What the working screen says, as plain values: the widget tree only draws these.

Everything foreign in here has passed `logger.text.harmless`; everything is frozen, so that a view can be compared
with the last one and drawn only where it differs. No Textual, no state, no clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Weight(StrEnum):
    """How heavily words stand: what matters is told by this first, by colour second."""

    STRONG = "strong"
    PLAIN = "plain"
    FAINT = "faint"


class Tone(StrEnum):
    """What the words are about; drawn as colour, which only repeats what words, weight and sign say."""

    CALM = "calm"
    GOOD = "good"
    BAD = "bad"
    WARN = "warn"


@dataclass(frozen=True, slots=True)
class Words:
    """A run of words of one weight and tone."""

    text: str
    weight: Weight = Weight.PLAIN
    tone: Tone = Tone.CALM


Line = tuple[Words, ...]
"""One line; it may wrap."""

Lines = tuple[Line, ...]


def plain(text: str) -> Line:
    """A line of one plain run."""
    return (Words(text),)


def strong(text: str, tone: Tone = Tone.CALM) -> Line:
    """A line that matters."""
    return (Words(text, Weight.STRONG, tone),)


def faint(text: str) -> Line:
    """A line that is there for whoever looks for it."""
    return (Words(text, Weight.FAINT),)


def text_of(lines: Lines) -> str:
    """The bare text, one line a line."""
    return "\n".join("".join(words.text for words in line) for line in lines)


@dataclass(frozen=True, slots=True)
class Tick:
    """A labelled place on the scale; `at` from 0 (left) to 1 (right)."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class ScaleView:
    """The scale under the figure. Places run from 0 (left) to 1 (right).

    Attributes:
        unit: sign of the unit of all labels.
        good_from, good_to: where the limit allows; None on both where nothing is judged.
        limits: the limit's edges with their labels.
        low, value, high: the reading, and how far the meter's accuracy lets the quantity lie either side; None
            while there is no reading.
        open_above, open_below: over or under range: the quantity lies somewhere beyond `value`.
        endless: the scale ends in the infinity mark.
    """

    unit: str
    ticks: tuple[Tick, ...]
    limits: tuple[Tick, ...] = ()
    good_from: float | None = None
    good_to: float | None = None
    low: float | None = None
    value: float | None = None
    high: float | None = None
    open_above: bool = False
    open_below: bool = False
    endless: bool = False


@dataclass(frozen=True, slots=True)
class TraceView:
    """The last minute: one level a second, oldest first. None: nothing came then; a level runs from 0 to 1.

    Attributes:
        counted: whether the readings of that second were accepted.
        words: what it spans, for the end of the line.
    """

    levels: tuple[float | None, ...] = ()
    counted: tuple[bool, ...] = ()
    words: str = ""


@dataclass(frozen=True, slots=True)
class SeenView:
    """The figure, large.

    Attributes:
        figure: digits as the meter shows them, `∞`, or empty while there is none.
        sign: `>`, `<` or empty.
        unit: sign of the unit.
        counts: False: drawn faint and struck through.
        said: the same as words, for where the large figure does not fit or there is none.
        beside: short lines that stand to its right, at most four.
    """

    figure: str = ""
    sign: str = ""
    unit: str = ""
    counts: bool = True
    said: str = "nothing yet"
    beside: Lines = ()
    scale: ScaleView | None = None
    trace: TraceView = TraceView()


@dataclass(frozen=True, slots=True)
class NextView:
    """The last word of the sentence: what to do next.

    Attributes:
        answer: what became of the last thing that was asked for, while it is news; may be empty.
        lines: the one sentence.
        actions: names of the actions that it offers, the first one first.
        about: id of the device or alteration that it speaks of; may be empty.
    """

    lines: Lines
    actions: tuple[str, ...] = ()
    answer: Line = ()
    about: str = ""


@dataclass(frozen=True, slots=True)
class LogLine:
    """One entry in the newest log lines.

    Attributes:
        entry: its number; None where nothing was written.
        time: local time; text: what happened; extra: more of it, where there is room; tail: the figure or sign at the
            line's end.
    """

    entry: int | None
    time: str
    text: str
    extra: str = ""
    tail: str = ""
    tone: Tone = Tone.CALM
    weight: Weight = Weight.PLAIN


@dataclass(frozen=True, slots=True)
class WorkLine:
    """One test on one item in the work list, or the item's own heading (`test` empty)."""

    item: str
    name: str
    test: str
    words: str = ""
    outcome: str = ""
    sign: str = ""
    tone: Tone = Tone.CALM
    selected: bool = False


@dataclass(frozen=True, slots=True)
class HandsView:
    """What the simulated hands hold (`leads apart`), and what they last said that they did.

    Attributes:
        where: where the leads are, in the simulator's own words: `open`, `short`, `C1 L+N/PE`.
    """

    leads: str
    said: str = ""
    where: str = "open"


@dataclass(frozen=True, slots=True)
class ScreenView:
    """The whole working screen.

    Attributes:
        trouble: what is wrong with the disk; empty while all is well.
        hands: only where the meter is simulated.
    """

    title: str
    time: str
    with_meter: Lines
    on_test: Lines
    we_see: SeenView
    means: Lines
    covers: Lines
    open_alterations: Lines
    next_step: NextView
    log: tuple[LogLine, ...] = ()
    work: tuple[WorkLine, ...] = ()
    work_done: str = ""
    trouble: str = ""
    hands: HandsView | None = None
