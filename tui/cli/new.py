"""`new`: a plan, checked whole, becomes a logbook with its rules inside."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logger.job.model import Plan


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`new PLAN LOGBOOK`."""
    parser = commands.add_parser("new", help="check a plan and start a logbook")
    parser.add_argument("plan", type=Path, help="the plan (TOML; see README)")
    parser.add_argument("logbook", type=Path, help="the logbook to start; it must not exist yet")
    parser.add_argument("--operator", default="", help="who works (else the plan's operator, else the user's name)")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Start the logbook; 0, or an error with exit code 2 and no file."""
    from logger.job.plan import load_plan
    from logger.job.wiring import wiring_notes
    from logger.text import harmless
    from tui.cli.output import say

    plan = load_plan(arguments.plan)
    start_logbook(plan, arguments.logbook, arguments.operator)
    counted = ", ".join(
        f"{len(items)} {word}{'' if len(items) == 1 else 's'}"
        for items, word in (
            (plan.boards, "board"),
            (plan.earths, "earth"),
            (plan.circuits, "circuit"),
            (plan.appliances, "appliance"),
        )
        if items
    )
    say(f"{arguments.logbook}: {harmless(plan.title)}, {counted}, rules {harmless(plan.rules)}.")
    for note in wiring_notes(plan):
        say(f"Note: {harmless(note)}.")
    say(f"Next: zerofirst open {arguments.logbook} --from URL")
    return 0


def start_logbook(plan: Plan, path: Path, operator: str = "") -> None:
    """Create a logbook that begins with this plan and the rules it names.

    Raises:
        LogbookUnusable: if the path exists already or cannot be written.
        InputWrong: if the rule pack is unknown or wrong.
    """
    from logger.clock import SystemClock
    from logger.job.plan import plan_body
    from logger.logbook.entries import Kind
    from logger.logbook.writer import Logbook
    from logger.rules.pack import load_pack
    from tui.operators import own_key, user_name

    pack = load_pack(plan.rules)
    first = [
        (Kind.JOB, {"title": plan.title, "kind": plan.kind, "plan": plan_body(plan)}),
        (Kind.RULES, {"name": pack.id, "edition": pack.edition, "pack": pack.body}),
    ]
    key = own_key(operator or plan.operator or user_name())
    Logbook.create(path, first, SystemClock(), key).close()
