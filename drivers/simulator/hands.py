"""The operator's hands: words for everything that a person can do to the simulated meter, its leads and its site.

One table of words; `help` is drawn from it. Every word yields one sentence for a person (`help` and `state`: several
lines), or raises `InputWrong` with one. Foreign text in it is shown by whoever shows it, harmlessly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

from drivers.simulator.bench import Bench
from drivers.simulator.faults import COUNTED, DISCONNECT, KINDS, TIMED
from drivers.simulator.leads import Apart, Joined, OnItem, Placement
from drivers.simulator.scale import in_words
from drivers.simulator.truth import RcdSetting
from logger.errors import InputWrong
from logger.job.model import DeviceKind
from logger.reading import Flag, Occurrence

if TYPE_CHECKING:
    from drivers.simulator.meter import SimulatedMeter

COMMAND_CHARACTERS_AT_MOST: Final = 400
"""Longest command, characters: the longest sensible one is a quarter of that."""

WHY_ENCODED_AT_MOST: Final = 150
"""Longest reason of a fault, characters once percent-encoded: with the rest of its frame it stays within 240 bytes."""

MULTIPLES: Final = (0.5, 1.0, 2.0, 5.0)
PHASES: Final = (0, 180)


@dataclass(frozen=True, slots=True)
class Word:
    """One word: how it is used (`|` between forms), what it does, and who does it."""

    usage: str
    about: str
    do: Callable[[Hands, Sequence[str]], str]


class Hands:
    """Turns words into deeds on one meter."""

    def __init__(self, meter: SimulatedMeter) -> None:
        self._meter = meter
        self._bench: Bench = meter.bench
        self._now_ns = 0

    def do(self, text: str, now_ns: int) -> str:
        """Do one command; yields what to tell the operator.

        Raises:
            InputWrong: if there is no such word, or it cannot be done.
        """
        self._now_ns = now_ns
        words = text.split() if len(text) <= COMMAND_CHARACTERS_AT_MOST else []
        if not words or words[0] not in WORDS:
            raise InputWrong("That is no command of the simulator", f"the words are {', '.join(WORDS)}")
        return WORDS[words[0]].do(self, words[1:])

    def leads(self, words: Sequence[str]) -> str:
        """`leads open|short|ITEM [BETWEEN]`."""
        placement: Placement
        if words in (["open"], ["short"]):
            placement = Apart() if words[0] == "open" else Joined()
        elif len(words) in (1, 2):
            placement = OnItem(*words)
        else:
            raise _usage("leads")
        self._bench.place(placement, self._meter.gauge.function)
        return f"The leads are {placement}."

    def function(self, words: Sequence[str]) -> str:
        """`function NAME [VOLTAGE]`."""
        if len(words) not in (1, 2):
            raise _usage("function")
        gauge = self._meter.gauge
        before = (gauge.function, gauge.voltage)
        gauge.turn_to(words[0], words[1] if len(words) == 2 else None)
        if before != (gauge.function, gauge.voltage):
            self._meter.happen(Occurrence.FUNCTION_CHANGED)
        return f"The meter is on {self._dial()}."

    def rcd(self, words: Sequence[str]) -> str:
        """`rcd RATED_MA [MULTIPLE [PHASE]]`."""
        if len(words) not in (1, 2, 3):
            raise _usage("rcd")
        rated, multiple, phase = (_number(word) for word in (*words, *("1", "0")[len(words) - 1 :]))
        if not 5 <= rated <= 1000:
            raise InputWrong(f"There is no rated residual current of {rated:g} mA", "give 5 to 1000")
        if multiple not in MULTIPLES or phase not in PHASES:
            raise InputWrong("The dial has no such setting", "multiples are 0.5, 1, 2 and 5, phases 0 and 180")
        self._meter.gauge.setting = RcdSetting(rated, multiple, int(phase))
        self._bench.revision += 1
        return f"RCD tests are at {multiple:g} times {rated:g} mA from {phase:g} degrees."

    def turn(self, words: Sequence[str]) -> str:
        """`set DEVICE POSITION`."""
        if len(words) != 2:
            raise _usage("set")
        self._bench.turn(*words)
        return f"{words[0]} is {words[1]}."

    def link(self, words: Sequence[str]) -> str:
        """`link LINK in|out`."""
        devices = self._bench.site.plan.devices
        links = [name for name, device in devices.items() if device.kind is DeviceKind.LINK]
        if len(words) != 2:
            raise _usage("link")
        if words[0] not in links:
            raise InputWrong(f"There is no link {words[0]}", f"the links are {', '.join(links) or 'none'}")
        return self.turn(words)

    def supply(self, words: Sequence[str]) -> str:
        """`supply on|off`."""
        if words not in (["on"], ["off"]):
            raise _usage("supply")
        self._bench.connect_supply(words[0] == "on")
        return "The supply is on." if words[0] == "on" else "The supply is isolated upstream."

    def plug(self, words: Sequence[str]) -> str:
        """`plug CIRCUIT`."""
        return self._plug("plug", words)

    def unplug(self, words: Sequence[str]) -> str:
        """`unplug CIRCUIT`."""
        return self._plug("unplug", words)

    def bridge(self, words: Sequence[str]) -> str:
        """`bridge CIRCUIT A/B|off`."""
        if len(words) != 2:
            raise _usage("bridge")
        a, _, b = words[1].partition("/")
        self._bench.bridge(words[0], None if words[1] == "off" else (a, b))
        return (
            f"{words[0]} has no bridge." if words[1] == "off" else f"{words[0]} is bridged {words[1]} at its far end."
        )

    def mend(self, words: Sequence[str]) -> str:
        """`mend ITEM`."""
        if len(words) != 1:
            raise _usage("mend")
        self._bench.mend(words[0])
        return f"{words[0]} is mended."

    def null(self, words: Sequence[str]) -> str:
        """`null [off]`."""
        if words == ["off"]:
            self._meter.gauge.null_ohm = None
            return "The null is off."
        if words:
            raise _usage("null")
        return f"{self._meter.gauge.take_null():.2f} Ohm of the leads are taken off."

    def store(self, words: Sequence[str]) -> str:
        """`store`."""
        if words:
            raise _usage("store")
        return f"Stored {in_words(self._meter.read_now(Flag.KEY).value)}."

    def battery(self, words: Sequence[str]) -> str:
        """`battery PERCENT`."""
        percent = _number(words[0]) if len(words) == 1 else -1
        if not 0 <= percent <= 100 or percent != int(percent):
            raise _usage("battery")
        gauge = self._meter.gauge
        was_low = gauge.battery_low
        gauge.battery_percent = int(percent)
        if gauge.battery_low and not was_low:
            self._meter.happen(Occurrence.BATTERY_LOW)
        self._meter.announce()
        return f"The battery is at {percent:g} %."

    def change(self, words: Sequence[str]) -> str:
        """`change leads`."""
        if words != ["leads"]:
            raise _usage("change")
        self._bench.change_leads()
        self._meter.gauge.null_ohm = None
        self._meter.happen(Occurrence.LEADS_CHANGED)
        self._meter.announce()
        return f"Sound leads with the mark {self._bench.leads.mark} are on the meter."

    def fault(self, words: Sequence[str]) -> str:
        """`fault WHY`."""
        why = " ".join(words)
        if not why or len(quote(why)) > WHY_ENCODED_AT_MOST:
            raise InputWrong("A fault needs a reason, and a short one", "write fault and a few words")
        self._meter.happen(Occurrence.FAULT, why)
        return "The meter tells of a fault."

    def reboot(self, words: Sequence[str]) -> str:
        """`reboot`."""
        if words:
            raise _usage("reboot")
        self._meter.reboot(self._now_ns)
        return f"The meter was switched off and on, and calls this boot {self._meter.boot}."

    def line(self, words: Sequence[str]) -> str:
        """`line KIND [AMOUNT]`."""
        if len(words) not in (1, 2):
            raise _usage("line")
        kind, amount = words[0], _number(words[1]) if len(words) == 2 else 1.0
        self._meter.line.strike(kind, amount, self._now_ns)
        if kind in COUNTED:
            return f"The next frames, {amount:g} of them, meet {kind}."
        return f"The line has {kind} for {amount:g} s." if kind in TIMED else "The meter lost power and is back."

    def drop(self, words: Sequence[str]) -> str:
        """`drop SECONDS`."""
        if len(words) != 1:
            raise _usage("drop")
        return self.line([DISCONNECT, *words])

    def state(self, words: Sequence[str]) -> str:
        """`state`."""
        if words:
            raise _usage("state")
        meter, state = self._meter, self._bench.state
        null = meter.gauge.null_ohm
        told = {
            "meter": f"{meter.site.meter.serial}, boot {meter.boot}, {meter.n} readings and events",
            "dial": self._dial(),
            "leads": f"{self._bench.placement}, set {self._bench.leads.mark}",
            "null": "off" if null is None else f"{null:.2f} Ohm",
            "battery": f"{meter.gauge.battery_percent} %",
            "stream": "none" if meter.rate is None else f"{meter.rate} readings a second",
            "supply": "on" if state.supply_on else "isolated upstream",
            "devices": ", ".join(f"{name} {position}" for name, position in state.positions.items()) or "none",
            "plugged": ", ".join(sorted(state.plugged)) or "none",
            "bridges": ", ".join(f"{item} {a}/{b}" for item, (a, b) in state.bridges.items()) or "none",
            "mended": ", ".join(sorted(state.mended)) or "none",
        }
        return "\n".join(f"{name}: {what}" for name, what in told.items())

    def help(self, words: Sequence[str]) -> str:
        """`help`."""
        if words:
            raise _usage("help")
        width = max(len(word.usage) for word in WORDS.values())
        return "\n".join(f"{word.usage:<{width}}  {word.about}" for word in WORDS.values())

    def _plug(self, word: str, words: Sequence[str]) -> str:
        if len(words) != 1:
            raise _usage(word)
        self._bench.plug(words[0], word == "plug")
        return f"The load of {words[0]} is {word}ged."

    def _dial(self) -> str:
        gauge = self._meter.gauge
        return f"{gauge.function} at {gauge.voltage} V" if gauge.function == "insulation" else str(gauge.function)


WORDS: Final[dict[str, Word]] = {
    word.usage.split()[0]: word
    for word in (
        Word("leads open|short|ITEM [BETWEEN]", "part the leads, short them, or put them on an item", Hands.leads),
        Word("function NAME [VOLTAGE]", "turn the dial, with a test voltage for insulation", Hands.function),
        Word("rcd RATED_MA [MULTIPLE [PHASE]]", "set what RCD tests are made with", Hands.rcd),
        Word("null [off]", "take the resistance of the shorted leads off, or stop doing so", Hands.null),
        Word("store", "press the meter's store key", Hands.store),
        Word("set DEVICE POSITION", "turn a switch", Hands.turn),
        Word("link LINK in|out", "put a neutral-earth link in, or take it out", Hands.link),
        Word("supply on|off", "connect the supply, or isolate it upstream", Hands.supply),
        Word("plug CIRCUIT", "connect the load of a circuit", Hands.plug),
        Word("unplug CIRCUIT", "disconnect the load of a circuit", Hands.unplug),
        Word("bridge CIRCUIT A/B|off", "join two conductors at a circuit's far end, or part them", Hands.bridge),
        Word("mend ITEM", "take the planted faults out of an item", Hands.mend),
        Word("change leads", "swap the leads for a sound set", Hands.change),
        Word("battery PERCENT", "charge or drain the battery", Hands.battery),
        Word("fault WHY", "make the meter tell of a fault of its own", Hands.fault),
        Word("reboot", "switch the meter off and on", Hands.reboot),
        Word(
            "line KIND [AMOUNT]", f"a fault of the line, for so many frames or seconds: {', '.join(KINDS)}", Hands.line
        ),
        Word("drop SECONDS", "pull the line out for a while", Hands.drop),
        Word("state", "how everything stands", Hands.state),
        Word("help", "this list", Hands.help),
    )
}
"""All words, in the order in which `help` shows them."""


def _usage(word: str) -> InputWrong:
    return InputWrong(f"{word} is used otherwise", f"write {WORDS[word].usage}")


def _number(word: str) -> float:
    try:
        number = float(word)
    except ValueError:
        number = float("nan")
    if not abs(number) < 1e9:
        raise InputWrong("That is no number that the simulator can use", "write digits, with a point if need be")
    return number
