"""The words in which an auditor says what they want to see: `C3 insulation turned away`, `in doubt`, `400 to 900`.

Words may stand in any order. The last one may be half typed: it counts as soon as it can mean one thing only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from logger.audit.sift import Wanted
from logger.job.model import Plan
from logger.quantity import Function, Test
from logger.rules.verdict import Verdict
from logger.screening import Reason

SHORTENED_TO: Final = 3
"""A word may be cut to so many letters where it can still mean one thing only."""

Meaning = tuple[str, str]
"""A field of `Wanted`, and a value of it."""

Phrase = tuple[str, ...]

_SPANS: Final = re.compile(r"^(\d{1,18})?(?:-|\.\.|–)(\d{1,18})?$")
_NUMBER: Final = re.compile(r"^\d{1,18}$")
_FILLERS: Final = frozenset({"and", "or", "on", "at", "of", "the", "because", "for", "by", "with", "entry", "entries"})

_FIXED: Final[Mapping[str, Meaning]] = {
    "readings": ("kind", "reading"),
    "reading": ("kind", "reading"),
    "results": ("kind", "result"),
    "result": ("kind", "result"),
    "turned away": ("accepted", "no"),
    "counts": ("accepted", "yes"),
    "accepted": ("accepted", "yes"),
    "in doubt": ("in_doubt", "yes"),
    **{each.value.replace("-", " "): ("functions", each.value) for each in Function},
    **{each.value.replace("-", " "): ("tests", each.value) for each in Test},
    **{each.value.replace("-", " "): ("reasons", each.value) for each in Reason if each is not Reason.DAMAGED},
    "damaged": ("kind", "damaged"),
    **{each.value: ("verdicts", each.value) for each in Verdict},
}


@dataclass(frozen=True, slots=True)
class Understood:
    """What was understood.

    Attributes:
        sentence: the same in plain words, without an end.
        unknown: words that mean nothing here; they are passed over.
        unfinished: the last words, where they may still mean several things.
    """

    wanted: Wanted
    sentence: str
    unknown: tuple[str, ...] = ()
    unfinished: str = ""


class Vocabulary:
    """The words of one logbook.

    Args:
        plan: its items are known by id and by name; None where it has none.
        serials: of its instruments; each is known as such, and after `meter`.
    """

    def __init__(self, plan: Plan | None, serials: Iterable[str] = ()) -> None:
        self._phrases: dict[Phrase, Meaning] = {_phrase(text): meaning for text, meaning in _FIXED.items()}
        for serial in serials:
            self._phrases[_phrase(f"meter {serial}")] = ("serials", serial)
            self._phrases.setdefault(_phrase(serial), ("serials", serial))
        for item in plan.items if plan else ():
            for text in (item.name, item.id):
                if _phrase(text):
                    self._phrases[_phrase(text)] = ("items", item.id)
        self._phrases.pop((), None)
        self._longest = max(map(len, self._phrases))

    def understand(self, typed: str) -> Understood:
        """What the words mean."""
        words = _phrase(typed)
        wanted, at = Wanted(), 0
        unknown: list[str] = []
        while at < len(words):
            span, used = _span(words, at)
            if span is not None:
                wanted, at = replace(wanted, first=span[0], last=span[1]), at + used
                continue
            meanings, used = self._meanings(words, at, typed[-1:].isspace())
            if len(set(meanings)) == 1:
                wanted, at = _with(wanted, meanings[0]), at + used
            elif meanings:
                return Understood(wanted, sentence_of(wanted), tuple(unknown), " ".join(words[at:]))
            else:
                if words[at] not in _FILLERS:
                    unknown.append(words[at])
                at += 1
        return Understood(wanted, sentence_of(wanted), tuple(unknown))

    def _meanings(self, words: Phrase, at: int, finished: bool) -> tuple[list[Meaning], int]:
        """What the words from `at` on may mean, and how many of them; the longest phrase first."""
        for length in range(min(self._longest, len(words) - at), 0, -1):
            found = self._phrases.get(words[at : at + length])
            if found is not None:
                return [found], length
        rest = words[at:]
        if rest[0] in _FILLERS:
            return [], 1
        begun = (
            []
            if finished
            else [
                meaning
                for phrase, meaning in self._phrases.items()
                if len(phrase) >= len(rest)
                and phrase[: len(rest) - 1] == rest[:-1]
                and phrase[len(rest) - 1].startswith(rest[-1])
            ]
        )
        if begun or len(rest[0]) < SHORTENED_TO:
            return begun, len(rest)
        shortened = {meaning for phrase, meaning in self._phrases.items() if phrase[0].startswith(rest[0])}
        return (list(shortened), 1) if len(shortened) == 1 else ([], 1)


def _phrase(text: str) -> Phrase:
    """Words as they are compared: `Earth-continuity` is `earth continuity`; `3-9` stays one."""
    return tuple(
        part
        for word in re.split(r"[\s,;:]+", text.casefold())
        for part in ([word] if _SPANS.match(word) else re.split(r"-", word))
        if part
    )


def _span(words: Phrase, at: int) -> tuple[tuple[int, int | None] | None, int]:
    """A span of entries: `3-9`, `3..`, `3 to 9`, `from 3`, `to 9`."""
    word = words[at]
    following = words[at + 1] if at + 1 < len(words) else ""
    if (match := _SPANS.match(word)) and (match[1] or match[2]):
        return (int(match[1] or 1), int(match[2]) if match[2] else None), 1
    if word in ("from", "since") and _NUMBER.match(following):
        return _to(int(following), words, at + 2, 2)
    if word in ("to", "until") and _NUMBER.match(following):
        return (1, int(following)), 2
    if _NUMBER.match(word) and following in ("to", "until") and at + 2 < len(words):
        return _to(int(word), words, at + 1, 1)
    return None, 0


def _to(first: int, words: Phrase, at: int, used: int) -> tuple[tuple[int, int | None] | None, int]:
    if at + 1 < len(words) and words[at] in ("to", "until") and _NUMBER.match(words[at + 1]):
        return (first, int(words[at + 1])), used + 2
    return ((first, None), used) if used == 2 else (None, 0)


def _with(wanted: Wanted, meaning: Meaning) -> Wanted:
    field, value = meaning
    if field == "kind":
        asked = frozenset({value}) if wanted.kinds == Wanted().kinds else wanted.kinds | {value}
        return replace(wanted, kinds=asked)
    if field == "accepted":
        return replace(wanted, accepted=value == "yes")
    if field == "in_doubt":
        return replace(wanted, in_doubt=True)
    chosen: frozenset[str] = getattr(wanted, field)
    return replace(wanted, **{field: chosen | {value}})  # type: ignore[arg-type]


def sentence_of(wanted: Wanted) -> str:
    """`Readings on C3, insulation, turned away: not proven, entries 400 to 900`."""
    kinds = " and ".join(_MANY.get(kind, kind) for kind in sorted(wanted.possible_kinds))
    if not kinds:
        return "Nothing: only readings are turned away, and only results have a verdict"
    turned = "turned away" if wanted.accepted is False or wanted.reasons else "that count" if wanted.accepted else ""
    reasons = _any(wanted.reasons)
    parts = [
        f"{kinds.capitalize()} on {_any(wanted.items)}" if wanted.items else kinds.capitalize(),
        _any(wanted.tests),
        f"meter set to {_any(wanted.functions)}" if wanted.functions else "",
        f"meter {_any(wanted.serials)}" if wanted.serials else "",
        f"{turned}: {reasons}" if reasons else turned,
        f"verdict {_any(wanted.verdicts)}" if wanted.verdicts else "",
        "in doubt" if wanted.in_doubt else "",
        _entries(wanted),
    ]
    return ", ".join(part for part in parts if part)


_MANY: Final = {"reading": "readings", "result": "results", "damaged": "damaged bytes"}


def _any(values: Iterable[str]) -> str:
    return " or ".join(value.replace("-", " ") if value in _PLAIN else value for value in sorted(values))


_PLAIN: Final = frozenset({str(each) for each in (*Test, *Function, *Reason)})


def _entries(wanted: Wanted) -> str:
    if wanted.last is not None:
        return f"entries {wanted.first} to {wanted.last}"
    return f"from entry {wanted.first} on" if wanted.first > 1 else ""
