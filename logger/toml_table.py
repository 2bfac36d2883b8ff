"""One table of a plan or a rule pack, read key by key, every fault kept: types, ranges, closed lists, unknown keys.

Nothing here knows what a circuit or a limit is, or where files lie. The same reader takes TOML values, where a number
is a number, and text (CSV cells, a logbook's own JSON, a pack's figures), where its digits stay as they were written.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal
from enum import StrEnum
from typing import Final, TypeVar

from logger.faults import QUOTED_CHARACTERS, Fault, Faults, nearest, quoted
from logger.quantity import is_decimal
from logger.text import harmless

__all__ = ["Bounds", "Fault", "Faults", "Table", "nearest", "quoted"]

Word = TypeVar("Word", bound=StrEnum)

# The finest and the largest power of ten that a figure may have: a micrometre, ten thousand kilometres.
# Beyond, somebody's finger slipped, and writing the figure out could fill the memory.
FINEST_PLACE: Final = -6
LARGEST_PLACE: Final = 10

YES_AND_NO: Final = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


@dataclass(frozen=True)
class Bounds:
    """What a figure may be, in `unit`: above `low` (or from it, where `low_counts`), at most `high`."""

    low: Decimal
    high: Decimal
    unit: str
    low_counts: bool = False

    def hold(self, number: Decimal) -> bool:
        """Whether `number` lies inside."""
        return (number > self.low or (self.low_counts and number == self.low)) and number <= self.high

    def __str__(self) -> str:
        edge = "at least" if self.low_counts else "more than"
        return f"{edge} {self.low} and at most {self.high} {self.unit}".rstrip()


class Table:
    """A table, or a row of a CSV, whose keys are asked for one by one; `finish` then tells of those nobody asked for.

    Every reader returns a usable value whatever is wrong, so that reading goes on to the next fault.

    Attributes:
        label: what faults call it: `circuit C3`, `[supply]`.
    """

    def __init__(
        self,
        values: Mapping[str, object],
        label: str,
        faults: Faults,
        lines: Mapping[str, int] | None = None,
        *,
        numbers_as_text: bool = False,
        decimal_comma: bool = False,
    ) -> None:
        """`lines`: the line of each key, and of the table itself under the empty key."""
        self.label = label
        self.faults = faults
        self._values = values
        self._lines = lines or {}
        self._numbers_as_text = numbers_as_text
        self._decimal_comma = decimal_comma
        self._known: list[str] = []

    def fault(self, sentence: str, key: str = "") -> None:
        """Keep a fault of this table, placed at `key` where its line is known."""
        line = self._lines.get(key) or self._lines.get("")
        self.faults.add(f"{self.label}: {sentence}", line)

    def has(self, key: str) -> bool:
        """Whether `key` stands in the table with anything in it."""
        self._known.append(key)
        return key in self._values and self._values[key] not in (None, "")

    def text(self, key: str, *, required: bool = False, at_most: int = 1000) -> str:
        """Text of at most `at_most` characters, without white space around it; "" where there is none."""
        if not self.has(key):
            if required:
                self.fault(f"{key} is missing", key)
            return ""
        value = self._values[key]
        if not isinstance(value, str):
            self.fault(f"{key} must be text in quotes, not {_named(value)}", key)
            return ""
        if not value.strip():
            self.fault(f"{key} is empty", key)
        if len(value) > at_most:
            self.fault(f"{key} is longer than {at_most} characters", key)
        return value.strip()

    def word(self, key: str, words: type[Word], default: Word, *, required: bool = False) -> Word:
        """A word of a closed list."""
        chosen = self.one_of(key, [str(member) for member in words], required=required)
        return words(chosen) if chosen else default

    def one_of(self, key: str, words: Iterable[str], *, required: bool = False) -> str:
        """Text that must be one of `words`; "" where there is none or another."""
        known = list(words)
        value = self.text(key, required=required)
        if value and value not in known:
            self.fault(f"{key} is {quoted(value)}{nearest(value, known)}", key)
            return ""
        return value

    def number(self, key: str, bounds: Bounds, *, required: bool = False) -> Decimal | None:
        """A figure, exact, inside `bounds`; None where there is none or a wrong one."""
        if not self.has(key):
            if required:
                self.fault(f"{key} is missing", key)
            return None
        number = self._decimal(key, self._values[key])
        if number is None:
            return None
        if not number.is_finite() or not bounds.hold(number):
            self.fault(f"{key} is {harmless(str(number), QUOTED_CHARACTERS)}, it must be {bounds}", key)
            return None
        exponent = number.as_tuple().exponent
        if not isinstance(exponent, int) or exponent < FINEST_PLACE or number.adjusted() > LARGEST_PLACE:
            self.fault(f"{key} has more than {-FINEST_PLACE} places after the point", key)
            return None
        return number

    def whole(self, key: str, bounds: Bounds, default: int) -> int:
        """A whole number inside `bounds`."""
        number = self.number(key, bounds)
        if number is None:
            return default
        if number != number.to_integral_value():
            self.fault(f"{key} is {number}, it must be a whole number", key)
            return default
        return int(number)

    def flag(self, key: str) -> bool:
        """True or false; false where it is left out."""
        if not self.has(key):
            return False
        value = self._values[key]
        if isinstance(value, bool):
            return value
        if self._numbers_as_text and str(value).strip().casefold() in YES_AND_NO:
            return YES_AND_NO[str(value).strip().casefold()]
        self.fault(
            f"{key} must be {'yes or no' if self._numbers_as_text else 'true or false'}, not {_named(value)}", key
        )
        return False

    @property
    def keys(self) -> tuple[str, ...]:
        """Every key that stands in the table."""
        return tuple(self._values)

    def texts(self, key: str, *, required: bool = False) -> tuple[str, ...]:
        """A list of texts, none of them empty; empty where the key is left out."""
        self._known.append(key)
        value = self._values.get(key)
        if value is None:
            if required:
                self.fault(f"{key} is missing", key)
            return ()
        if not isinstance(value, list) or not all(isinstance(entry, str) and entry for entry in value):
            self.fault(f'{key} must be a list of texts, such as ["…"]', key)
            return ()
        return tuple(value)

    def words(self, key: str, words: type[Word]) -> tuple[Word, ...] | None:
        """A list of words of a closed list, each once; None where the key is left out (an empty list is a list)."""
        self._known.append(key)
        value = self._values.get(key)
        if value is None or (self._numbers_as_text and value == ""):
            return None
        if isinstance(value, str) and self._numbers_as_text:
            value = value.split()
        if not isinstance(value, list):
            self.fault(f"{key} must be a list, such as [{quoted(next(iter(words)))}]", key)
            return None
        return tuple(self._listed(key, value, words))

    def _listed(self, key: str, value: list[object], words: type[Word]) -> list[Word]:
        known = [str(member) for member in words]
        good: list[Word] = []
        for entry in value:
            if str(entry) not in known:
                self.fault(f"{key} names {quoted(entry)}{nearest(str(entry), known)}", key)
            elif words(str(entry)) in good:
                self.fault(f"{key} names {quoted(entry)} twice", key)
            else:
                good.append(words(str(entry)))
        return good

    def table(self, key: str) -> Table | None:
        """The table under `key`, whose faults are told under `key.`; None where there is none."""
        self._known.append(key)
        value = self._values.get(key)
        if value is None:
            return None
        if not isinstance(value, Mapping):
            self.fault(f"{key} must be a table, such as {key} = {{ … }}, not {_named(value)}", key)
            return None
        return self._inner(value, f"{self.label}, {key}", key)

    def tables(self, key: str) -> list[Table]:
        """The tables listed under `key`; empty where there are none."""
        self._known.append(key)
        value = self._values.get(key)
        if value is None:
            return []
        if not isinstance(value, list):
            self.fault(f"{key} must be a list of tables, such as {key} = [ {{ … }}, … ]", key)
            return []
        found = []
        for place, entry in enumerate(value, start=1):
            if isinstance(entry, Mapping):
                found.append(self._inner(entry, f"{self.label}, {key} {place}", key))
            else:
                self.fault(f"{key} {place} must be a table, such as {{ … }}, not {_named(entry)}", key)
        return found

    def finish(self) -> None:
        """Tell of every key that was not asked for."""
        for key in self._values:
            if key not in self._known:
                self.fault(f"unknown key {quoted(key)}{nearest(key, self._known)}", key)

    def _inner(self, values: Mapping[str, object], label: str, key: str) -> Table:
        line = self._lines.get(key) or self._lines.get("")
        return Table(
            values,
            label,
            self.faults,
            {"": line} if line else None,
            numbers_as_text=self._numbers_as_text,
            decimal_comma=self._decimal_comma,
        )

    def _decimal(self, key: str, value: object) -> Decimal | None:
        if isinstance(value, Decimal) and self._numbers_as_text:
            self.fault(f'{key} must be in quotes, {key} = "{value}", so that its digits stay as written', key)
            return None
        if isinstance(value, Decimal):
            return value
        if isinstance(value, int) and not isinstance(value, bool):
            return Decimal(value)
        if isinstance(value, str) and self._numbers_as_text:
            written = value.strip().replace(",", ".") if self._decimal_comma else value.strip()
            if is_decimal(written):
                return Decimal(written)
            hint = "; write it with a decimal point" if "," in written else ""
            self.fault(f"{key} is {quoted(value)}, which is no number{hint}", key)
            return None
        self.fault(f"{key} must be a number, not {_named(value)}", key)
        return None


def _named(value: object) -> str:
    """What a wrong value is, for a person."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text {quoted(value)}"
    if isinstance(value, int | float | Decimal):
        return f"the number {harmless(str(value), QUOTED_CHARACTERS)}"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return "a date or time" if isinstance(value, date | time) else "that"
