"""A hunt told: as a sentence, and as JSON with each part's bounds in megohm."""

from __future__ import annotations

import math
from typing import Final

from logger.job.bounds import Span
from logger.job.hunt import REST, Finding

DIGITS: Final = 3
"""Significant digits of a bound: more than a display of insulation has."""

NAMED_AT_MOST: Final = 4
"""Most parts that a sentence names; more are counted."""


def hunt_body(finding: Finding) -> dict[str, object]:
    """The hunt as JSON: decimals as text, `high` null where there is no upper bound."""
    said = finding.verdicts
    states = {
        **dict.fromkeys(said.faulty, "faulty"),
        **dict.fromkeys(said.sound, "sound"),
        **dict.fromkeys((*said.open, *said.undecided), "open"),
    }
    return {
        "test": "insulation",
        "between": finding.between,
        "at": finding.at,
        "limit": _shown(finding.limit_mohm),
        "unit": "MOhm",
        "done": finding.is_done,
        "found": list(said.faulty),
        "bounds": [
            {
                "part": part.id,
                "switch": part.device or None,
                "state": states[part.id],
                "low": _shown(said.spans[part.id].mohm[0]),
                "high": _shown(said.spans[part.id].mohm[1]),
            }
            for part in finding.parts
        ],
        "clash": list(said.clash),
        "spoiled_by": [{"what": s.what, "why": s.why, "reads_like": s.reads_like} for s in finding.spoiled_by],
        "next": [step.body() for step in finding.next_steps],
        "sentence": hunt_sentence(finding),
    }


def hunt_sentence(finding: Finding) -> str:
    """What is known and what to do, in one or two sentences."""
    said = finding.verdicts
    limit = f"{_shown(finding.limit_mohm)} MOhm"
    if said.clash:
        return f"The readings contradict each other at {_named(said.clash)}: something changed; read the whole again."
    found = "; ".join(f"{name}: {bounds_words(said.spans[name])}" for name in said.faulty)
    if not finding.is_done and finding.spoiled_by:
        return f"First: {finding.spoiled_by[0].why}."
    if not finding.is_done:
        group = _named([part.id for part in finding.parts if part.id in (said.next_group or ())])
        known = f"Found below {limit}: {found}. " if found else ""
        return f"{known}Next: read with {group} in and all else out."
    if found:
        where = " (bars, and what no switch or terminal parts)" if REST in said.faulty else ""
        return f"Found below {limit}: {found}{where}."
    if said.undecided:
        return f"Too near {limit} for this meter to tell: {_named(said.undecided)}."
    return f"No part is below {limit} by itself."


def bounds_words(span: Span) -> str:
    """The resistance of a part between its bounds: `0.29 to 0.31 MOhm`, `at least 5 MOhm`."""
    low, high = span.mohm
    if math.isinf(high):
        if math.isinf(low):
            return "no leakage at all"
        return f"at least {_shown(low)} MOhm" if low else "not known"
    if not low or math.isinf(low):  # from above unbounded: the readings leave no room, which the sentence says
        return f"at most {_shown(high)} MOhm"
    return f"{_shown(low)} to {_shown(high)} MOhm"


def _shown(number: float) -> str | None:
    if math.isinf(number):
        return None
    if number == 0:
        return "0"
    places = max(DIGITS - 1 - math.floor(math.log10(abs(number))), 0)
    return f"{number:.{places}f}"


def _named(names: tuple[str, ...] | list[str]) -> str:
    if len(names) <= NAMED_AT_MOST:
        return ", ".join(names)
    return f"{', '.join(names[:NAMED_AT_MOST])} and {len(names) - NAMED_AT_MOST} more"
