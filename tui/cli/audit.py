"""`audit`: do these logbooks stand, do they follow from what the meters sent, and what would an auditor ask?

Exit 0: nothing of weight; 1: a doubt or a breach; 4: one at least is damaged or was altered.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logger.audit.desk import Audit


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`audit LOGBOOK_OR_FOLDER… [--json] [--since FILE] [--key VKEY] [--screen]`."""
    what = "integrity, re-derivation and findings of logbooks"
    parser = commands.add_parser("audit", help=what, description=what)
    parser.add_argument("logbooks", metavar="LOGBOOK", type=Path, nargs="+", help="a logbook, or a folder of them")
    parser.add_argument("--json", action="store_true", help="one JSON object a logbook")
    parser.add_argument(
        "--since", type=Path, metavar="FILE", help="a checkpoint kept elsewhere, or a proof that holds one"
    )
    parser.add_argument("--key", metavar="VKEY", help="the verifier key that must have signed (its text, or a file)")
    parser.add_argument("--screen", action="store_true", help="look into one logbook in the app; it is only read")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Audit each; the worst decides the exit code."""
    from logger.audit.desk import compare_with, look_across
    from logger.audit.extension import checkpoint_in
    from logger.clock import SystemClock
    from tui.audit_progress import ProgressBar
    from tui.audit_run import audit_all, logbooks_in
    from tui.cli.output import complain

    paths, passed_over = logbooks_in(arguments.logbooks)
    if arguments.screen:
        return _screen(paths)
    for path in passed_over:
        complain(f"{path} is no logbook and is passed over.")
    key = _key(arguments.key)
    since = arguments.since
    extensions = compare_with(checkpoint_in(since), since, paths, key) if since else {}
    bar = ProgressBar(SystemClock())
    try:
        audits = audit_all(paths, [key] if key else (), bar.show)
    finally:
        bar.end()
    for audit in audits:
        audit.extension = extensions.get(audit.path)
    look_across(audits)
    _tell(audits, as_json=arguments.json)
    return max(audit.exit_code for audit in audits)


def _screen(paths: list[Path]) -> int:
    """The auditor's screen.

    Raises:
        InputWrong: if there is no terminal, or not one logbook.
    """
    from logger.clock import SystemClock
    from logger.errors import InputWrong
    from tui.cli.open import need_a_terminal

    if len(paths) != 1:
        raise InputWrong(f"The screen shows one logbook, and {len(paths)} were named", "name one of them")
    need_a_terminal("zerofirst audit LOGBOOK prints what it found")
    from tui.app import run_audit

    return run_audit(paths[0], SystemClock())


def audit_one(path: Path) -> dict[str, Any]:
    """What one logbook's audit came to, as JSON.

    Raises:
        LogbookUnusable: no logbook.
    """
    from logger.audit.desk import look_across
    from tui.audit_run import audit_all
    from tui.audit_words import record

    audits = audit_all([path])
    look_across(audits)
    return record(audits[0])


def _key(said: str | None) -> str | None:
    """The key's text: as it was said, or out of the file of that name."""
    if said is None or "+" in said:
        return said
    from logger.logbook.bundle_file import read_text

    return read_text(Path(said), "verifier key").strip()


def _tell(audits: list[Audit], *, as_json: bool) -> None:
    from logger.text import harmless
    from tui.audit_words import findings_lines, lines, record, table
    from tui.cli.output import complain, emit, say

    for audit in audits:
        if audit.outcome.damage:
            complain(audit.outcome.damage)
    if as_json:
        for audit in audits:
            emit(record(audit))
        return
    if len(audits) == 1:
        for line in lines(audits[0]) if audits[0].outcome.integrity else ():
            say(line)
        return
    for line in table(audits):
        say(line)
    for audit in audits:
        found = list(findings_lines(audit, notes=False))
        if found:
            say(f"\n{harmless(str(audit.path), 400)}")
            for line in found:
                say(line)
