"""What an audit came to, as rows of a list: findings, remarks, and what it cannot show. Values only; no Textual."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from logger.audit.desk import Audit
from logger.audit.finding import Weight
from logger.text import harmless
from tui.audit_words import remark_line, seal
from tui.view import Line, Lines, Tone, Words, faint, plain, strong

SIGN: Final = {Weight.BREACH: "✗", Weight.DOUBT: "!", Weight.NOTE: "·"}
TONE: Final = {Weight.BREACH: Tone.BAD, Weight.DOUBT: Tone.WARN, Weight.NOTE: Tone.CALM}
SENTENCE_AT_MOST: Final = 1000


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A row, and the entries that it leads to, none perhaps."""

    lines: Lines
    entries: tuple[int, ...] = ()


def rows_of(audit: Audit) -> tuple[str, tuple[FindingRow, ...]]:
    """The heading, and the rows."""
    integrity = audit.outcome.integrity
    entries = f"{integrity.entries} entries, " if integrity else ""
    stands = "it does NOT stand" if audit.altered else "every entry stands as it was written"
    return f"{harmless(audit.path.name, 60)}: {entries}{seal(audit)}; {stands}.", tuple(_rows(audit))


def _rows(audit: Audit) -> Iterator[FindingRow]:
    for each in audit.findings:
        head: Line = (
            Words(f"{SIGN[each.weight]} {each.weight.value.upper()}: ", tone=TONE[each.weight]),
            *strong(harmless(each.sentence, SENTENCE_AT_MOST), TONE[each.weight]),
        )
        remedy = (plain(f"  {harmless(each.remedy, SENTENCE_AT_MOST)}"),) if each.remedy else ()
        named = (faint(f"  leads to {_count(len(each.entries))}"),) if each.entries else ()
        yield FindingRow((head, *remedy, *named), each.entries)
    if not audit.findings:
        yield FindingRow((plain("Nothing was found that anybody has to explain."),))
    for remark in audit.outcome.remarks:
        yield FindingRow((plain(remark_line(remark)),), (remark.about,))
    if audit.outcome.beside:
        yield FindingRow((strong(harmless(audit.outcome.beside, SENTENCE_AT_MOST), Tone.WARN),))
    integrity, again = audit.outcome.integrity, audit.outcome.rederivation
    size = integrity.entries if integrity else 0
    for fault in integrity.faults[1:] if integrity else ():
        own = (fault.entry,) if fault.entry is not None and fault.entry <= size else ()
        yield FindingRow((plain(harmless(fault.sentence, SENTENCE_AT_MOST)),), own)
    for difference in again.differences[1:] if again else ():
        yield FindingRow((plain(harmless(difference.sentence, SENTENCE_AT_MOST)),), (difference.entry,))
    for said in integrity.remarks if integrity else ():
        yield FindingRow((faint(f"Not shown by this: {harmless(said, SENTENCE_AT_MOST)}"),))


def _count(entries: int) -> str:
    return "1 entry" if entries == 1 else f"{entries} entries"
