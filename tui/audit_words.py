"""What an audit came to, in words: one JSON object a logbook, a table over several, and the findings of one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, Final

from logger.audit.desk import Audit
from logger.audit.finding import Finding, Weight
from logger.audit.remark import Remark
from logger.text import harmless

ENTRIES_SHOWN: Final = 8
"""How many of a finding's entries are named to a person."""

FURTHER_SHOWN: Final = 20
"""How many faults, and how many differences, are shown one by one."""

NAME_COLUMNS: Final = 34
WHO_COLUMNS: Final = 16


def record(audit: Audit) -> dict[str, Any]:
    """One logbook's audit as JSON."""
    outcome, integrity, again = audit.outcome, audit.outcome.integrity, audit.outcome.rederivation
    facts, findings = outcome.facts, audit.findings
    return {
        "logbook": str(audit.path),
        "id": integrity.id if integrity else "",
        "title": facts.title if facts else "",
        "entries": integrity.entries if integrity else 0,
        "kinds": dict(integrity.kinds) if integrity else {},
        "checkpoints": len(integrity.checkpoints) if integrity else 0,
        "sealed": bool(integrity and integrity.sealed),
        "closed": bool(facts and facts.closed),
        "instruments": list(facts.instruments) if facts else [],
        "results": facts.results if facts else 0,
        "intact": not audit.altered,
        "faults": list(_faults(audit)),
        "derived": {
            "differences": again.count if again else 0,
            "first": again.first.entry if again and again.first else None,
            "counts": dict(again.counts) if again else {},
            "unchecked": list(again.unchecked) if again else [],
            "undecoded": list(again.undecoded) if again else [],
        },
        "extends": None if audit.extension is None else _extension(audit),
        "findings": [each.body() for each in findings],
        "weights": weights(findings),
        "remarks": list(integrity.remarks) if integrity else [],
        "signed_remarks": [each.body() for each in outcome.remarks],
        "exit_code": audit.exit_code,
    }


def weights(findings: Sequence[Finding]) -> dict[str, int]:
    """How many findings of each weight."""
    counts = Counter(each.weight for each in findings)
    return {weight.value: counts[weight] for weight in Weight}


def _extension(audit: Audit) -> dict[str, Any]:
    assert audit.extension is not None
    extension = audit.extension
    return {"holds": extension.holds, "size": extension.old.size, "sentence": extension.sentence}


def _faults(audit: Audit) -> Iterator[dict[str, Any]]:
    """Where the logbook is not what was recorded: by its hashes, by its checkpoints, by what follows from its bytes."""
    integrity, again = audit.outcome.integrity, audit.outcome.rederivation
    for fault in integrity.faults if integrity else ():
        yield {"entry": fault.entry, "last": fault.last, "what": fault.what, "sentence": fault.sentence}
    if audit.outcome.damage:
        entry = audit.outcome.damaged_at
        yield {"entry": entry, "last": entry, "what": "unreadable", "sentence": audit.outcome.damage}
    if audit.extension is not None and not audit.extension.holds:
        yield {"entry": None, "last": None, "what": "extension", "sentence": audit.extension.sentence}
    for each in again.differences if again else ():
        if not each.other_version:
            yield {"entry": each.entry, "last": each.entry, "what": f"derived-{each.what}", "sentence": each.sentence}


def table(audits: Sequence[Audit]) -> Iterator[str]:
    """A line a logbook, for a person."""
    yield _row("LOGBOOK", "INSTRUMENTS", "RESULTS", "NOTES", "DOUBTS", "BREACHES", "SEAL")
    for audit in audits:
        facts, counts = audit.outcome.facts, weights(audit.findings)
        yield _row(
            _cut(harmless(str(audit.path), 400), NAME_COLUMNS),
            _cut(harmless(", ".join(facts.instruments), 200) if facts else "", WHO_COLUMNS) or "none",
            str(facts.results) if facts else "?",
            str(counts[Weight.NOTE]),
            str(counts[Weight.DOUBT]),
            str(counts[Weight.BREACH]),
            seal(audit),
        )


def _row(name: str, who: str, results: str, notes: str, doubts: str, breaches: str, sealed: str) -> str:
    counts = f"{results:>7} {notes:>5} {doubts:>6} {breaches:>8}"
    return f"{name:<{NAME_COLUMNS}}  {who:<{WHO_COLUMNS}} {counts}  {sealed}".rstrip()


def _cut(text: str, columns: int) -> str:
    """The end of a text that is too long: a path is known by it."""
    return text if len(text) <= columns else "…" + text[1 - columns :]


def seal(audit: Audit) -> str:
    """How the logbook stands, in a word or three."""
    integrity, facts = audit.outcome.integrity, audit.outcome.facts
    if audit.altered:
        return "DAMAGED OR ALTERED"
    if integrity is not None and integrity.sealed:
        return "sealed"
    return "closed, not sealed" if facts and facts.closed else "open"


def lines(audit: Audit) -> Iterator[str]:
    """One logbook's audit in full, for a person."""
    integrity, facts, again = audit.outcome.integrity, audit.outcome.facts, audit.outcome.rederivation
    head = harmless(str(audit.path), 400)
    if integrity is not None:
        head += f": {integrity.entries} entries, {len(integrity.checkpoints)} checkpoints, {seal(audit)}"
    yield head
    if facts is not None:
        who = ", ".join(harmless(each, 40) for each in facts.instruments) or "none"
        yield f"  {harmless(facts.title, 120)}; instruments: {who}; {facts.results} results"
    if not audit.altered:
        doubtful = again is not None and (again.count or again.undecoded)
        yield "  Every entry stands as it was written" + (
            "." if doubtful else ", and follows from the raw bytes, the plan and the rules."
        )
    if audit.extension is not None:
        yield f"  {audit.extension.sentence}"
    yield from findings_lines(audit)
    for each in audit.outcome.remarks:
        yield f"  {remark_line(each)}"
    if audit.outcome.beside:
        yield f"  {harmless(audit.outcome.beside, 400)}"
    for remark in integrity.remarks if integrity else ():
        yield f"  Not shown by this: {remark}"


def remark_line(remark: Remark) -> str:
    """A signed remark in one line: on which entry, by whom, and whether the signature holds."""
    where = f"{harmless(remark.beside, 80)}, entry {remark.entry}" if remark.beside else f"entry {remark.entry}"
    who = f"{harmless(remark.by, 80)} ({harmless(remark.role, 80)})"
    key = f"signed by {harmless(remark.signer, 80)}, key {remark.fingerprint}"
    signed = key if remark.signer else "NOT SIGNED: who wrote it cannot be told"
    return f"REMARK on entry {remark.about} by {who}: {harmless(remark.text, 2000)} ({where}; {signed})"


def findings_lines(audit: Audit, *, notes: bool = True) -> Iterator[str]:
    """The findings, heaviest first. `notes`: those that weigh nothing too."""
    for each in audit.findings:
        if notes or each.weight is not Weight.NOTE:
            named = _entries(each.entries)
            yield f"  {each.weight.value.upper():6} {each.code}: {harmless(each.sentence, 1000)}{named}"
            if each.remedy:
                yield f"         {each.remedy}"
    for sentence in _further(audit):
        yield f"         {harmless(sentence, 400)}"


def _further(audit: Audit) -> Iterator[str]:
    """Faults and differences after the first of each, which stands among the findings."""
    integrity, again = audit.outcome.integrity, audit.outcome.rederivation
    for fault in integrity.faults[1:FURTHER_SHOWN] if integrity else ():
        yield fault.sentence
    for each in again.differences[1:FURTHER_SHOWN] if again else ():
        yield each.sentence


def _entries(entries: Sequence[int]) -> str:
    if not entries:
        return ""
    named = ", ".join(map(str, entries[:ENTRIES_SHOWN]))
    more = ", …" if len(entries) > ENTRIES_SHOWN else ""
    return f" ({'entry' if len(entries) == 1 else 'entries'} {named}{more})"
