"""`drivers`: the drivers found, plug-ins included, and the conformance check for a connected meter."""

from __future__ import annotations

import argparse
import asyncio
import random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivers.checks import Check

SIGNS = {"passed": "✓", "failed": "✗", "skipped": "–"}
"""A sign beside each outcome's word."""


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`drivers [--json]` and `drivers check URL [--json]`."""
    parser = commands.add_parser("drivers", help="the drivers found; the conformance check for one")
    parser.add_argument("--json", action="store_true", help="one JSON object: drivers")
    parser.set_defaults(run=run)
    actions = parser.add_subparsers(metavar="check URL", dest="action")
    check = actions.add_parser("check", help="examine a connected meter for ten seconds")
    check.add_argument("url", metavar="URL", help="the meter, such as serial:/dev/ttyUSB0")
    check.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="one JSON object: url, checks")
    check.set_defaults(run=run_check)


def run(arguments: argparse.Namespace) -> int:
    """List the drivers; one that cannot be used is listed with the reason. 0."""
    from drivers import registry
    from tui.cli.output import emit, say

    offers = registry.scan()
    if arguments.json:
        fields = ("name", "distribution", "version", "error")
        emit({"drivers": [{field: getattr(offer, field) for field in fields} for offer in offers]})
        return 0
    for offer in offers:
        say(f"{offer.name:<20} {offer.distribution} {offer.version}{'  ✗ ' + offer.error if offer.error else ''}")
    return 0


def run_check(arguments: argparse.Namespace) -> int:
    """Examine the meter; 0 if all that could be tried is as it should be, 1 if not.

    Raises:
        InputWrong: if the URL is wrong or names no connected meter of the protocol.
        LinkFailed: if the meter cannot be reached.
    """
    from drivers.address import parse
    from drivers.links.open import link_for
    from drivers.meter_check import check_meter
    from logger.clock import SystemClock
    from logger.errors import InputWrong
    from tui.cli.output import complain

    clock = SystemClock()
    address = parse(arguments.url)
    link = link_for(address, clock)
    if not link.can_send:
        raise InputWrong("Only a connected meter can be checked", "give its serial: or tcp: URL")
    if address.driver != "meter-line":
        raise InputWrong(
            "This check is for meters of the Meter Line Protocol",
            "for another driver, its author runs drivers.testing.check_driver",
        )
    if not arguments.json:
        complain("Examining the meter for about ten seconds; it will be told to stream and to halt.")
    checks = asyncio.run(
        check_meter(lambda: link_for(address, clock), clock, rate=address.rate, jitter=random.Random())
    )
    _show(address.url, checks, as_json=arguments.json)
    return 1 if any(check.outcome == "failed" for check in checks) else 0


def _show(url: str, checks: tuple[Check, ...], *, as_json: bool) -> None:
    from tui.cli.output import emit, say

    if as_json:
        fields = ("name", "outcome", "sentence")
        emit({"url": url, "checks": [{field: getattr(check, field) for field in fields} for check in checks]})
        return
    for check in checks:
        say(f"{SIGNS[check.outcome]} {check.outcome:<8} {check.name:<30} {check.sentence}")
