"""`audit`: do these logbooks stand, and what would an auditor ask?

Exit 0: nothing to report; 1: findings of weight; 4: one at least is damaged or was altered.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logger.audit.integrity import IntegrityReport


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`audit LOGBOOK… [--json]`."""
    parser = commands.add_parser("audit", help="integrity and findings of logbooks")
    parser.add_argument("logbooks", metavar="LOGBOOK", type=Path, nargs="+")
    parser.add_argument("--json", action="store_true", help="one JSON object a logbook")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Audit each; the worst decides the exit code."""
    from tui.cli.output import emit, say

    worst = 0
    for path in arguments.logbooks:
        record = audit_one(path)
        worst = max(worst, int(record["exit_code"]))
        if arguments.json:
            emit(record)
        else:
            for line in _lines(record):
                say(line)
    return worst


def audit_one(path: Path) -> dict[str, Any]:
    """What one logbook's audit came to, as JSON.

    Raises:
        LogbookUnusable: no logbook.
        LogbookDamaged: so damaged that its entries cannot be read.
    """
    from logger.audit.integrity import check_integrity

    from logger.logbook.reader import LogbookReader

    with LogbookReader.open(path) as reader:
        report = check_integrity(reader)
    return _record(path, report)


def _record(path: Path, report: IntegrityReport) -> dict[str, Any]:
    return {
        "logbook": str(path),
        "entries": report.entries,
        "kinds": dict(report.kinds),
        "checkpoints": len(report.checkpoints),
        "sealed": report.sealed,
        "intact": not report.faults,
        "faults": [
            {"entry": fault.entry, "last": fault.last, "what": fault.what, "sentence": fault.sentence}
            for fault in report.faults
        ],
        "exit_code": 4 if report.faults else 0,
    }


def _lines(record: Mapping[str, Any]) -> list[str]:
    from logger.text import harmless

    counted = ", ".join(f"{count} {kind}" for kind, count in sorted(record["kinds"].items()))
    seal = "sealed" if record["sealed"] else "not sealed"
    head = f"{harmless(record['logbook'])}: {record['entries']} entries, {record['checkpoints']} checkpoints, {seal}"
    if record["intact"]:
        return [f"{head}: every entry stands as it was written.", f"  {counted}"]
    lines = [f"{head}: DAMAGED OR ALTERED.", f"  {counted}"]
    lines.extend(f"  {harmless(fault['sentence'], 400)}" for fault in record["faults"])
    return lines
