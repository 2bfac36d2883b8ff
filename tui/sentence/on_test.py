"""ON: what is tested. Where the meter is set to something else, this line says so."""

from __future__ import annotations

from typing import Final

from logger.proof import plain_number
from logger.quantity import WITH_TEST_VOLTAGE
from logger.screening import functions_for
from logger.text import harmless
from tui.facts import Facts
from tui.present import between_words, on_function, setting_words, test_words, volts
from tui.view import Lines, Tone, Weight, Words, faint, strong

ID_CHARACTERS: Final = 16
NAME_CHARACTERS: Final = 32
"""Longest id and name of an item in this line, characters; the work list has them whole."""


def on_test(facts: Facts) -> Lines:
    """The line of ON, and a second one where the meter is set to something else."""
    selection = facts.selection
    if selection is None:
        return (strong("nothing yet"), faint("choose an item and a test"))
    name = harmless(facts.item.name, NAME_CHARACTERS) if facts.item and facts.item.name else ""
    what = Words(f"{harmless(selection.item, ID_CHARACTERS)} {name}".strip(), Weight.STRONG)
    setting = setting_words(selection.setting)
    rest = [test_words(selection.test), volts(selection.voltage).strip(), setting, between_words(selection.between)]
    line = (what, *(Words(f" · {part}") for part in rest if part))
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
