"""The result under the present selection: whether it still stands for NEXT, and what is done first where it fails."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from logger.job.model import Circuit
from logger.quantity import Test
from logger.text import harmless
from tui.facts import Facts
from tui.live import Live
from tui.sentence.covers import Cover
from tui.sentence.walk_now import WalkNow

CONNECTIONS: Final = "look at its terminals and joints, then measure again"

FAILS_FIRST: Final = {
    Test.INSULATION: "unplug every load and measure again, then line and neutral to earth one by one",
    Test.EARTH_CONTINUITY: CONNECTIONS,
    Test.RING_CONTINUITY: CONNECTIONS,
    Test.EARTH_LOOP: f"isolate, {CONNECTIONS}",
    Test.LINE_LOOP: f"isolate, {CONNECTIONS}",
}
"""What is done first where a test fails; the trade's own order, before anything is taken apart."""


def standing_result(live: Live, cover: Cover, walk: WalkNow) -> Mapping[str, Any] | None:
    """The result taken under this selection; None where there is none, or where the installation stands so now that a
    reading would say more: nothing spoils it any more, it reaches further, or less hangs on what failed. A walk
    knows itself what comes next."""
    if live.result is None:
        return None
    body = live.result.fields
    reach = reach_body(body)
    is_cleared = bool(reach.get("spoiled_by")) and not cover.spoiled
    leads = reach.get("leads", {})
    then, held = _runs(reach, "reached"), _runs(leads, "+") | _runs(leads, "-")
    reaches_further = bool(reach) and bool(cover.reached - then)
    is_alone = body["verdict"] == "fails" and not cover.others and cover.held < held and then <= cover.reached
    says_more = reaches_further or is_alone
    return None if is_cleared or (says_more and not walk.purpose) else body


def _runs(reach: Mapping[str, Any], name: str) -> frozenset[str]:
    return frozenset(map(str, reach.get(name, ())))


def reach_body(result: Mapping[str, Any]) -> Mapping[str, Any]:
    """What that result reached, as its body has it; empty where its test looks at no conductors."""
    reach = result.get("reach")
    return reach if isinstance(reach, Mapping) else {}


def fails_first(test: Test, cover: Cover) -> str:
    """What is done first where this test fails, as an order without its stop; empty where nothing is known."""
    if test is Test.INSULATION and cover.others:
        breakers = "the breaker" if len(cover.others) == 1 else "the breakers"
        return f"turn {breakers} of {harmless(', '.join(cover.others), 40)} off and measure again"
    return FAILS_FIRST.get(test, "")


def first_switch(facts: Facts, circuits: Sequence[str]) -> str:
    """The device that turns the first of these circuits off; empty where there is none."""
    circuit = facts.plan.item(circuits[0]) if circuits else None
    path = circuit.path if isinstance(circuit, Circuit) else ()
    return next((device.id for device in path if "off" in device.positions), "")
