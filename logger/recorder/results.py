"""A reading that was taken, or a judgement that was spoken, as the body of a `result` entry."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from logger.bodies import Selection
from logger.job.fitting import Known, misfits
from logger.job.model import Decision
from logger.job.reach import reach_of
from logger.proof import Bands, Point
from logger.quantity import Function, Test
from logger.reading import Flag, Reading
from logger.recorder.bodies import setting_of
from logger.recorder.book import Book
from logger.recorder.intake import Candidate
from logger.recorder.limit_now import limit_now
from logger.rules.agreement import Finding
from logger.rules.at_the_leads import less_than_the_leads, voltage_at_the_leads
from logger.rules.limit import Limit
from logger.rules.pack_rules import STANDARD_OPERATING_PERCENT
from logger.rules.uncertainty import half_width
from logger.rules.verdict import Judgement, Verdict, judge
from logger.screening import ranges_for
from logger.state import JobState, ResultState


def limit_on(state: JobState, selection: Selection, candidate: Candidate | None) -> Limit | None:
    """What this reading (or the next one, where there is none yet) is judged by as things stand."""
    return limit_now(state, selection, setting_of(candidate.reading) if candidate else None)


def judgement_on(
    limit: Limit | None, candidate: Candidate, decision: Decision, lead_ohm: Decimal | None = None
) -> Judgement:
    """What this reading would come to by this limit: the screen shows it before anybody takes it.

    Args:
        limit: see `limit_on`.
        lead_ohm: resistance of leads that the meter did not take off (see `lead_resistance`).
    """
    possible = ranges_for(candidate.reading, candidate.ranges)
    meter_range = possible[0] if len(possible) == 1 else None
    return judge(candidate.reading.value, limit, meter_range, decision, lead_ohm)


def lead_resistance(state: JobState, bands: Bands, candidate: Candidate) -> Decimal | None:
    """Ohms of the leads in this reading: what the zero check of its own proof read, where the meter was not nulled.

    None where nothing is to be taken off: not continuity, nulled, or so little that it would pass for nulled.
    """
    reading = candidate.reading
    zero = state.proof_of(candidate.carrier).points.get(Point.ZERO)
    if reading.function is not Function.CONTINUITY or Flag.NULLED in reading.flags or zero is None:
        return None
    lead_ohm = Decimal(zero.lead_ohm) if zero.lead_ohm is not None else Decimal(0)
    return lead_ohm if lead_ohm > bands.zero_nulled_ohm else None


def voltage_finding(reading: Reading) -> Finding | None:
    """Whether an insulation reading was made at its test voltage (see `rules.at_the_leads`)."""
    if reading.function is not Function.INSULATION:
        return None
    return voltage_at_the_leads(reading.value, reading.voltage, reading.output_voltage)


def at_the_leads(candidate: Candidate, lead_ohm: Decimal | None) -> Finding | None:
    """What a person should know of the leads before taking this reading; None where nothing is odd."""
    reading = candidate.reading
    if reading.function is Function.CONTINUITY:
        return less_than_the_leads(reading.value, lead_ohm)
    return voltage_finding(reading)


def result_body(book: Book, selection: Selection, candidate: Candidate) -> dict[str, Any]:
    """The result of the selected test from the reading that was taken, judged by the pack in force."""
    plan, reading = book.plan, candidate.reading
    lead_ohm = lead_resistance(book.state, book.pack.bands, candidate)
    limit = limit_on(book.state, selection, candidate)
    judgement = judgement_on(limit, candidate, plan.decision, lead_ohm)
    body: dict[str, Any] = {
        "item": selection.item,
        "test": selection.test,
        "reading": candidate.entry,
        "value": reading.value.text,
        "unit": reading.value.unit,
        "relation": reading.value.relation,
        "verdict": judgement.verdict,
        "limit": judgement.limit,
        "margin": judgement.margin,
        "rule": judgement.rule,
        "limit_unit": judgement.limit_unit,
        "side": judgement.side,
        "sentence": judgement.sentence,
        "source": judgement.source,
        "decision": plan.decision,
        "probability": judgement.probability,
        "standard_uncertainty": judgement.standard_uncertainty,
        "lead_ohm": None if lead_ohm is None else format(lead_ohm, "f"),
        "between": selection.between,
        "voltage": selection.voltage,
        "serial": candidate.serial,
        "origin": reading.origin,
        "proof": {"function": candidate.carrier.function, "voltage": candidate.carrier.voltage},
        "selection": selection.entry,
    }
    setting = setting_of(reading)
    if setting:
        body["setting"] = setting
    body["half_width_base"] = _half_width(book, selection, candidate)
    if reading.temperature is not None:
        body["temperature"] = reading.temperature
    fitting = misfits(plan, Known(0, body), [Known(each.entry, each.body) for each in _others(book, body)])
    hints = [each.finding.sentence for each in fitting]
    voltage = voltage_finding(candidate.reading)
    if voltage is not None:
        hints.insert(0, voltage.sentence)
    if hints:
        body["hints"] = hints
    reach = _reach(book, selection)
    if reach is not None:
        body["reach"] = reach
    points = book.state.proof_of(candidate.carrier).points
    body["self_checks"] = sorted(passed.entry for passed in points.values())
    return body


def _half_width(book: Book, selection: Selection, candidate: Candidate) -> str:
    """How far the quantity may lie from the figure, in the base unit, as text (see `rules.uncertainty`)."""
    possible = ranges_for(candidate.reading, candidate.ranges)
    percent = float(book.pack.operating.get(selection.test, STANDARD_OPERATING_PERCENT))
    width = half_width(candidate.reading.value, possible[0] if len(possible) == 1 else None, percent)
    return format(Decimal(f"{width:.6g}"), "f")


def _others(book: Book, body: Mapping[str, object]) -> Iterator[ResultState]:
    """The results that stand beside this one once it is recorded: not the one whose place it takes, none in doubt."""
    place = ResultState(0, body, str(body["item"]), Test(str(body["test"])), "", None).place
    for standing in book.state.current.values():
        if standing.place != place and standing.in_doubt is None:
            yield standing


def _reach(book: Book, selection: Selection) -> dict[str, object] | None:
    """What the reading covers as the installation stands, and what it does not; None where nothing is drawn."""
    if book.network is None:
        return None
    found = reach_of(book.network, book.set_up(book.network), selection.test, selection.between, selection.item)
    return found.body() if found is not None else None


def judged_body(book: Book, selection: Selection, passed: bool, why: str) -> dict[str, Any]:
    """The result of a test that a person judges."""
    verdict = Verdict.MEETS if passed else Verdict.FAILS
    return {
        "item": selection.item,
        "test": selection.test,
        "reading": None,
        "value": "yes" if passed else "no",
        "unit": None,
        "relation": None,
        "verdict": verdict,
        "limit": None,
        "margin": None,
        "rule": None,
        "sentence": f"judged by {book.state.operator or 'the operator'}" + (f": {why}" if why else ""),
        "why": why,
        "between": selection.between,
        "voltage": selection.voltage,
        "judged_by": book.state.operator,
        "decision": Decision.SIMPLE,
        "selection": selection.entry,
    }
