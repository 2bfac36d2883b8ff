"""ON: what is tested. Where the meter is set to something else, this line says so."""

from __future__ import annotations

from typing import Final

from logger.proof import plain_number
from logger.quantity import WITH_TEST_VOLTAGE
from logger.screening import functions_for
from logger.text import harmless
from tui.facts import Facts
from tui.fit import BODY_COLUMNS
from tui.present import between_words, on_function, setting_words, test_words, volts
from tui.view import Lines, Tone, Weight, Words, faint, strong

ID_CHARACTERS: Final = 16
"""Longest id of an item in this line, characters; the work list has it whole."""

NAME_CHARACTERS_AT_LEAST: Final = 8
"""What is always left of a name, characters; it gives way before the line wraps."""


def on_test(facts: Facts) -> Lines:
    """The line of ON, and a second one where the meter is set to something else."""
    selection = facts.selection
    if selection is None:
        return ((*strong("nothing yet"), *faint(": choose an item and a test")),)
    setting = setting_words(selection.setting)
    rest = [test_words(selection.test), volts(selection.voltage).strip(), setting, between_words(selection.between)]
    tail = "".join(f" · {part}" for part in rest if part)
    item = harmless(selection.item, ID_CHARACTERS)
    room = max(NAME_CHARACTERS_AT_LEAST, BODY_COLUMNS - len(item) - 1 - len(tail))
    name = harmless(facts.item.name, room) if facts.item and facts.item.name else ""
    line = (Words(f"{item} {name}".strip(), Weight.STRONG), Words(tail))
    wrong = meter_is_on(facts)
    return (line, strong(f"but the meter is on {wrong}", Tone.WARN)) if wrong else (line,)


def meter_is_on(facts: Facts) -> str:
    """What the meter is set to, where that is not what the test needs; empty where it is, or nothing is known."""
    selection, seen = facts.selection, facts.seen
    if selection is None or seen is None:
        return ""
    functions = functions_for(selection.test)
    if not functions or facts.must_carry:
        return ""
    if seen.function not in functions:
        return on_function(seen.function, seen.voltage)
    if seen.function in WITH_TEST_VOLTAGE and not _same_voltage(seen.voltage, selection.voltage):
        return f"{harmless(seen.voltage, 12)} V" if seen.voltage else "a test voltage that it does not say"
    return ""


def _same_voltage(said: str | None, wanted: str | None) -> bool:
    return wanted is None or (said is not None and plain_number(said) == plain_number(wanted))
