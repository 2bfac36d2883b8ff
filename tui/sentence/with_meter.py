"""WITH: which meter, and whether it may be believed. While its proof is missing this line says what to do."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Final

from logger.clock import NS_PER_S, from_rfc3339
from logger.proof import PROOF_HOLDS_S, READINGS_PER_CHECK, Passed, Point, Proof, ProofKey
from logger.text import harmless
from tui.facts import Facts
from tui.fit import BODY_COLUMNS
from tui.live import Live
from tui.present import date_words, meter_name, on_function, proof_words
from tui.situation import LineState
from tui.view import Line, Lines, Tone, Weight, Words, faint, plain, strong

NAME_CHARACTERS: Final = 34
"""Longest meter name in this line, characters: with battery and calibration it still fits in 70."""

BATTERY_LOW_PERCENT: Final = 15
"""From here down the battery is told heavily, percent; whether it is low is the meter's own word."""


def with_meter(facts: Facts, live: Live) -> Lines:
    """The two lines of WITH."""
    if facts.meter is None:
        return _no_meter(facts)
    return (_who(facts), _proof_line(facts, live))


def _no_meter(facts: Facts) -> Lines:
    if facts.line is LineState.FAILED:
        return (strong("no meter", Tone.BAD), plain(harmless(facts.line_words)))
    if facts.line is LineState.WAITING:
        return (strong("no meter yet", Tone.WARN), plain(f"trying {harmless(facts.line_words, 60)}"))
    return (strong("no meter"), faint("none was named when this logbook was opened"))


def _who(facts: Facts) -> Line:
    meter = facts.meter
    assert meter is not None
    name = meter_name({"maker": "", "model": meter.model, "serial": meter.serial})
    parts = [Words(harmless(name, NAME_CHARACTERS), Weight.STRONG)]
    if meter.battery_percent is not None:
        low = meter.battery_low or meter.battery_percent <= BATTERY_LOW_PERCENT
        weight, tone = (Weight.STRONG, Tone.WARN) if low else (Weight.PLAIN, Tone.CALM)
        parts += [Words(" · "), Words(f"battery {meter.battery_percent} %{', low' if low else ''}", weight, tone)]
    parts += _calibration(meter.calibrated_until, _local(facts, facts.now_at).date())
    if facts.others:
        parts.append(Words(" · chosen" if facts.pinned == meter.serial else f" · {facts.others} more", Weight.FAINT))
    return tuple(parts)


def _calibration(until: str, today: date) -> list[Words]:
    if not until:
        return [Words(" · "), Words("calibration not said", Weight.FAINT)]
    try:
        past = date.fromisoformat(until) < today
    except ValueError:
        past = False
    if past:
        return [Words(" · "), Words(f"calibration ended {date_words(until)}", Weight.STRONG, Tone.WARN)]
    return [Words(f" · calibrated until {date_words(until)}")]


def _proof_line(facts: Facts, live: Live) -> Line:
    if facts.line is LineState.LOST:
        away_s = (facts.now_ns - (facts.lost_since_ns or facts.now_ns)) / NS_PER_S
        return (*strong(f"not heard for {away_s:.0f} s", Tone.BAD), Words(": its line is tried again and again"))
    if facts.check is not None:
        doing = f"checking {facts.check.point}: {facts.check.came} of {READINGS_PER_CHECK}"
        key = facts.check.key
        return (*strong(doing, Tone.WARN), Words(f" · {on_function(key.function, key.voltage)}"))
    if facts.key is None:
        return plain("measure something, so that it shows what it is set to")
    if facts.carrier is not None:
        proof = "proven on " + on_function(facts.carrier.function, facts.carrier.voltage)
        return (*strong(proof, Tone.GOOD), Words(f", which carries {on_function(facts.key.function, None)}"))
    if facts.must_carry and facts.prove is not None:
        stead = _own_proof(facts, live, facts.prove, facts.prove_proof)
        return (*stead, Words(f", which carries {on_function(facts.key.function, None)}", Weight.FAINT))
    return _own_proof(facts, live, facts.key, facts.proof)


def _own_proof(facts: Facts, live: Live, key: ProofKey, proof: Proof) -> Line:
    since = proof.since
    at = f"{_local(facts, since.at):%H:%M}" if since else ""
    words = proof_words(proof, at, voltage=key.voltage)
    if since is None:
        about = faint(f" · for {on_function(key.function, key.voltage)}")
        return (*strong(words, Tone.WARN), *about)
    what = f", {on_function(key.function, None)}" if key.voltage is None else ""
    figures = _figures(live, key)
    until = f" · good until {_good_until(facts, since):%H:%M}"
    fits = len(words + what + until + figures) <= BODY_COLUMNS
    return (*strong(words + what, Tone.GOOD), Words(until), Words(figures if fits else "", Weight.FAINT))


def _figures(live: Live, key: ProofKey) -> str:
    """` · apart >1000, joined 0.00 MΩ`: what the checks read; empty where that is not at hand."""
    apart, joined = (
        live.checked.get((key.serial, str(key.function), key.voltage, str(point)))
        for point in (Point.INFINITY, Point.ZERO)
    )
    if apart is None or joined is None:
        return ""
    unit = "" if apart[1] == joined[1] else f" {apart[1]}"
    return f" · apart {apart[0]}{unit}, joined {joined[0]} {joined[1]}"


def _good_until(facts: Facts, since: Passed) -> datetime:
    """Four hours after the older check, or the end of the day, whichever comes first."""
    start = _local(facts, since.at)
    midnight = datetime.combine(start.date() + timedelta(days=1), time(), start.tzinfo)
    return min(start + timedelta(seconds=PROOF_HOLDS_S), midnight - timedelta(minutes=1))


def _local(facts: Facts, at: str) -> datetime:
    return from_rfc3339(at) + timedelta(minutes=facts.utc_offset_min)
