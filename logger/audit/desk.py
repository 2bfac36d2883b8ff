"""The audit at the desk: one logbook, or many, through integrity, re-derivation and findings.

A small logbook is read once for all of it. A large one is cut into tasks that do not need each other (`Task`), so that
two cores share it. What a task brings back is plain values, so it may run in another process. Nothing is changed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Final

from logger.audit.extension import Extension, refuse_wrong, verify_extension
from logger.audit.finding import Extract, Finding, Weight, finding
from logger.audit.integrity import check_integrity
from logger.audit.looks import Looking, compare
from logger.audit.rederive import Part, Rederiving, walk
from logger.audit.rederive_lines import Drivers
from logger.audit.rederive_report import Rederivation
from logger.audit.remark import Remark, remarks_in
from logger.audit.remarks_beside import Beside, look_beside
from logger.audit.report import IntegrityReport
from logger.errors import InputWrong, LogbookDamaged
from logger.logbook.reader import LogbookReader

LARGE_ENTRIES: Final = 20_000
"""From so many entries on a logbook is worth sharing: starting a process costs what a few thousand entries do."""

Progress = Callable[[int, int], None]
"""`progress(done, total)`, in entries of one task."""


class Task(StrEnum):
    """A part of the audit of one logbook that needs no other."""

    ALL = "all"
    INTEGRITY = "integrity"
    BYTES = "bytes"
    """The raw bytes decoded again, and what is looked at in them."""
    READINGS = "readings"
    """Readings screened and judged again, and what is looked at in all the rest."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What a logbook says of itself, for the table."""

    title: str = ""
    instruments: tuple[str, ...] = ()
    results: int = 0
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """What tasks on one logbook brought. Fields that no task was about are None or empty.

    Attributes:
        damage: it could not be read to its end, and why.
        remarks: what was remarked on its entries, in it and beside it.
        beside: why what lies beside it counts for nothing; empty where it counts, or nothing does.
    """

    integrity: IntegrityReport | None = None
    rederivation: Rederivation | None = None
    findings: tuple[Finding, ...] = ()
    extracts: tuple[Extract, ...] = ()
    facts: Facts | None = None
    damage: str = ""
    damaged_at: int | None = None
    remarks: tuple[Remark, ...] = ()
    beside: str = ""

    def and_also(self, other: Outcome) -> Outcome:
        """This and what other tasks on the same logbook brought."""
        both = [each for each in (self.rederivation, other.rederivation) if each is not None]
        return Outcome(
            self.integrity or other.integrity,
            both[0].and_also(both[1]) if len(both) == 2 else both[0] if both else None,
            (*self.findings, *other.findings),
            (*self.extracts, *other.extracts),
            self.facts or other.facts,
            self.damage or other.damage,
            self.damaged_at if self.damage else other.damaged_at,
            (*self.remarks, *other.remarks),
            self.beside or other.beside,
        )


def tasks_for(path: Path) -> tuple[Task, ...]:
    """How the audit of a logbook is cut.

    Raises:
        LogbookUnusable: no logbook.
        LogbookDamaged: so damaged that it cannot be opened.
    """
    with LogbookReader.open(path) as reader:
        large = reader.size >= LARGE_ENTRIES
    return (Task.BYTES, Task.READINGS, Task.INTEGRITY) if large else (Task.ALL,)


def perform(
    path: Path, task: Task, drivers: Drivers, pinned: Sequence[str] = (), progress: Progress | None = None
) -> Outcome:
    """Do one task. Damage that shows on the way is part of the outcome.

    Raises:
        LogbookUnusable: no logbook.
        LogbookDamaged: so damaged that it cannot be opened.
        InputWrong: a pinned key is none.
    """
    with LogbookReader.open(path) as reader:
        checked = Outcome()
        if task in (Task.ALL, Task.INTEGRITY):
            report = check_integrity(reader, progress if task is Task.INTEGRITY else None, pinned)
            checked = _remarked(reader, Outcome(integrity=report))
        if task is Task.INTEGRITY:
            return checked
        outcome = _walked(reader, task, drivers, progress)
    return outcome if task is not Task.ALL else outcome.and_also(checked)


def _remarked(reader: LogbookReader, outcome: Outcome) -> Outcome:
    """With the remarks in the logbook and beside it; those of a damaged one as far as they can be read."""
    found: list[Remark] = []
    with suppress(LogbookDamaged, InputWrong):
        found.extend(remarks_in(reader))
    beside = Beside(None)
    with suppress(LogbookDamaged, InputWrong):
        beside = look_beside(reader)
    return replace(outcome, remarks=(*found, *beside.remarks), beside=beside.trouble)


def _walked(reader: LogbookReader, task: Task, drivers: Drivers, progress: Progress | None) -> Outcome:
    parts = {Task.BYTES: (Part.DECODE,), Task.READINGS: (Part.JUDGE,)}.get(task, tuple(Part))
    again = Rederiving(reader, drivers, parts)
    looking = Looking({Task.BYTES: True, Task.READINGS: False}.get(task))
    damage, damaged_at = "", None
    try:
        with reader.snapshot():
            walk(reader, [*again.walkers, looking], progress, raw=task is not Task.READINGS)
    except LogbookDamaged as error:
        damage, damaged_at = str(error), error.entry
    facts = None if task is Task.BYTES else _facts(looking)
    extracts = tuple(looking.extracts())
    return Outcome(None, again.result(), tuple(looking.findings()), extracts, facts, damage, damaged_at)


def _facts(looking: Looking) -> Facts:
    job = looking.job
    return Facts(
        title=job.plan.title if job.plan else "",
        instruments=tuple(job.meters),
        results=len(job.results),
        closed=job.closed_at is not None,
    )


@dataclass(slots=True)
class Audit:
    """The audit of one logbook among those given.

    Attributes:
        path: the logbook.
        outcome: what the tasks brought together.
        extension: whether it extends a checkpoint kept elsewhere; None where none was given for it.
        across: findings that show over several logbooks only.
    """

    path: Path
    outcome: Outcome = field(default_factory=Outcome)
    extension: Extension | None = None
    across: list[Finding] = field(default_factory=list)

    @property
    def findings(self) -> list[Finding]:
        """All of them, heaviest first; what the logbook was altered in comes before all."""
        found = [*_about_integrity(self.outcome, self.extension), *_about_derivation(self.outcome.rederivation)]
        found += [*self.outcome.findings, *self.across]
        order = {Weight.BREACH: 0, Weight.DOUBT: 1, Weight.NOTE: 2}
        return sorted(found, key=lambda each: order[each.weight])

    @property
    def altered(self) -> bool:
        """Damaged, or not what was recorded."""
        integrity, again = self.outcome.integrity, self.outcome.rederivation
        differs = again is not None and any(not each.other_version for each in again.differences)
        faulty = integrity is None or bool(integrity.faults) or bool(self.outcome.damage)
        return faulty or differs or (self.extension is not None and not self.extension.holds)

    @property
    def exit_code(self) -> int:
        """0 nothing of weight; 1 a doubt or a breach; 4 damaged or altered."""
        if self.altered:
            return 4
        return 1 if any(each.weight is not Weight.NOTE for each in self.findings) else 0


def _about_integrity(outcome: Outcome, extension: Extension | None) -> list[Finding]:
    found = []
    report = outcome.integrity
    if report is not None and report.faults:
        entries = [fault.entry for fault in report.faults if fault.entry is not None]
        sentence = f"The logbook is damaged or was altered: {report.faults[0].sentence}"
        if len(report.faults) > 1:
            sentence += f" And {len(report.faults) - 1} more."
        remedy = "Do not use it; look for a copy that stands, and ask who had this one."
        found.append(finding("integrity", Weight.BREACH, entries, sentence, remedy))
    if outcome.damage:
        found.append(finding("integrity", Weight.BREACH, [], f"It could not be read to its end. {outcome.damage}", ""))
    if extension is not None and not extension.holds:
        remedy = "Ask for the logbook that the checkpoint was made of."
        found.append(finding("extension", Weight.BREACH, [], extension.sentence, remedy))
    return found


def _about_derivation(again: Rederivation | None) -> list[Finding]:
    """What re-derivation found, as findings: of one session recorded by another version it is a doubt, no breach."""
    if again is None:
        return []
    found = []
    for other, weight in ((False, Weight.BREACH), (True, Weight.DOUBT)):
        own = [each for each in again.differences if each.other_version is other]
        if own:
            count = again.count if len(own) == len(again.differences) else len(own)
            whole = "One entry is" if count == 1 else f"{count} entries are"
            by = ", though another version of this software may have derived it otherwise" if other else ""
            sentence = (
                f"{whole} not what follows from the raw bytes, the plan and the rules{by}. First: {own[0].sentence}"
            )
            remedy = "Go through what differs entry by entry; ask who had the logbook and its key."
            found.append(finding("rederivation", weight, [each.entry for each in own], sentence, remedy))
    for sentences, weight in ((again.undecoded, Weight.DOUBT), (again.unchecked, Weight.NOTE)):
        if sentences:
            remedy = "Audit it where that driver and version are installed."
            found.append(finding("rederivation", weight, [], " ".join(sentences[:3]), remedy))
    return found


def look_across(audits: Sequence[Audit]) -> None:
    """Add to each audit what shows only over all of them together."""
    for place, found in compare([audit.outcome.extracts for audit in audits]):
        audits[place].across.append(found)


def compare_with(note: str, file: Path, paths: Sequence[Path], vkey: str | None = None) -> dict[Path, Extension]:
    """Hold a checkpoint kept elsewhere against the logbook that it was made of; a single logbook must be that one. What
    cannot be opened any more is passed over, which its audit tells.

    Args:
        file: where the note was, to name it.

    Raises:
        InputWrong: if the note is no checkpoint, or the wrong one for all of them.
        LogbookUnusable: if one is no logbook.
    """
    found: dict[Path, Extension] = {}
    for path in paths:
        with suppress(LogbookDamaged), LogbookReader.open(path) as reader:
            found[path] = verify_extension(note, reader, vkey)
    refuse_wrong(file, list(found.values()))
    return {path: extension for path, extension in found.items() if not extension.wrong_file}
