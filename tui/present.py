"""Values into words: shared by command line and app. Pure; no Textual.

One word per thing, the same on screen, in sentences and in the documents. Everything foreign passes `harmless`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta
from typing import Any, Final

from logger.clock import from_rfc3339
from logger.job.wiring import SUPPLY
from logger.proof import Point, Proof
from logger.quantity import UNITS, Relation, Test
from logger.screening import Reason
from logger.text import harmless

RELATION_SIGN: Final = {Relation.EQUAL: "", Relation.ABOVE: ">", Relation.BELOW: "<"}

REASON_WORDS: Final[dict[str, str]] = {
    Reason.DAMAGED: "it came damaged",
    Reason.REPEAT: "it is held already",
    Reason.LIVE_LEADS: "an outside voltage was on the leads",
    Reason.METER_FAULT: "the meter had told of a fault",
    Reason.BATTERY_LOW: "the meter's battery was low",
    Reason.NOT_PROVEN: "the meter was not proven",
    Reason.PROOF_LAPSED: "the meter's proof had lapsed",
    Reason.NO_SELECTION: "nothing was selected",
    Reason.WRONG_FUNCTION: "the meter stood on another function",
    Reason.WRONG_UNIT: "its unit does not fit the function",
    Reason.WRONG_VOLTAGE: "the test voltage was another",
    Reason.WRONG_SETTING: "the RCD setting was another",
    Reason.OUTSIDE_RANGE: "it lies outside the meter's range",
}
"""Why a reading was turned away, as the end of `turned away: …`."""

WAY_OUT: Final[dict[str, str]] = {
    Reason.DAMAGED: "look at cable and baud rate, and measure again",
    Reason.REPEAT: "nothing to do: the first one stands",
    Reason.LIVE_LEADS: "take the leads off, isolate, prove dead, and begin again",
    Reason.METER_FAULT: "see what the meter says, then check it again with leads apart and joined",
    Reason.BATTERY_LOW: "change the battery, then check the meter again",
    Reason.NOT_PROVEN: "check the meter: leads apart, then leads joined",
    Reason.PROOF_LAPSED: "check the meter again: leads apart, then leads joined",
    Reason.NO_SELECTION: "select what is tested",
    Reason.WRONG_FUNCTION: "turn the meter to the function of the test",
    Reason.WRONG_UNIT: "turn the meter to the function of the test",
    Reason.WRONG_VOLTAGE: "set the meter to the selected test voltage, or select the one it is set to",
    Reason.WRONG_SETTING: "set multiple and phase on the meter as selected",
    Reason.OUTSIDE_RANGE: "let the meter choose its range, and measure again",
}
"""What to do about it."""

VERDICT_SIGN: Final[dict[str, str]] = {
    "meets": "✓",
    "fails": "✗",
    "undecided": "?",
    "recorded": "·",
    "to do": " ",
    "in doubt": "!",
    "skipped": "–",
}
"""A sign that goes with each outcome word, so that none rests on colour alone."""


def figure(value: object, unit: object, relation: object = Relation.EQUAL) -> str:
    """A displayed figure as a person writes it: `>1000 MΩ`, `0.35 Ω`, `∞ MΩ`."""
    text = "∞" if value == "inf" else harmless(str(value), 32)
    sign = "" if value == "inf" else RELATION_SIGN.get(Relation(str(relation)), "") if relation else ""
    known = UNITS.get(str(unit))
    shown_unit = known.sign if known else harmless(str(unit or ""), 16)
    return f"{sign}{text} {shown_unit}".strip()


def local_time(at: str, utc_offset_min: int = 0) -> str:
    """Hours, minutes and seconds of an entry's time, shifted to the operator's own."""
    return (from_rfc3339(at) + timedelta(minutes=utc_offset_min)).strftime("%H:%M:%S")


def volts(voltage: object) -> str:
    """` 500 V`, or nothing where there is no test voltage."""
    return f" {harmless(str(voltage), 12)} V" if voltage else ""


def turned_away(reasons: list[str]) -> str:
    """All reasons in words."""
    return "turned away: " + "; ".join(REASON_WORDS.get(reason, harmless(reason)) for reason in reasons)


def meter_name(fields: Mapping[str, Any]) -> str:
    """`Example Works TM-2 no. 0417`, from an instrument's fields."""
    parts = [str(fields.get("maker", "")), str(fields.get("model", "")), f"no. {fields.get('serial', '')}"]
    return harmless(" ".join(part for part in parts if part), 80)


def _ready(f: Mapping[str, Any]) -> str:
    battery = f.get("battery_percent")
    cal = f.get("calibrated_until")
    more = [
        f"battery {battery} %" if battery is not None else "",
        f"calibrated until {harmless(str(cal))}" if cal else "",
    ]
    remarks = "".join(f". {harmless(str(remark), 300).rstrip('.')}" for remark in f.get("remarks", ()))
    return f"Ready: {meter_name(f)}" + "".join(f", {part}" for part in more if part) + remarks


def _reading(f: Mapping[str, Any]) -> str:
    what = f"{figure(f['value'], f['unit'], f['relation'])}, {test_words(f['function'])}{volts(f['voltage'])}"
    where = f" on {harmless(str(f['item']))} {test_words(f['test'])}" if f.get("item") else ""
    verdict = "counts" if f["accepted"] else turned_away(f["reasons"])
    keyed = {"keyed": ", keyed by hand", "replay": ", from a capture"}.get(str(f.get("origin")), "")
    return f"Reading {what}{where}{keyed}: {verdict}"


def _proof(f: Mapping[str, Any]) -> str:
    figures = ", ".join(
        figure(value, f["unit"], relation) for value, relation in zip(f["figures"], f["relations"], strict=True)
    )
    head = f"{str(f['point']).capitalize()} check of {test_words(f['function'])}{volts(f['voltage'])}"
    if f["outcome"] == "pass":
        return f"{head} passed: {figures}"
    return f"{head} FAILED: {harmless(str(f.get('why', '')))}"


def _result(f: Mapping[str, Any]) -> str:
    shown = figure(f["value"], f["unit"], f["relation"]) if f.get("unit") else str(f["value"])
    head = f"Result {harmless(str(f['item']))} {test_words(f['test'])}{volts(f['voltage'])}"
    hints = (harmless(str(hint), 400) for hint in f.get("hints", ()))
    return ". ".join([f"{head}: {shown}: {harmless(str(f['sentence']))}", *hints])


def _refused(f: Mapping[str, Any]) -> str:
    possible = f.get("possible")
    more = f" (possible: {', '.join(harmless(str(each), 40) for each in possible)})" if possible else ""
    lines = [f"Refused: {harmless(str(f['why']))}{more}"]
    lines.extend("  " + unfinished_line(each) for each in f.get("unfinished", ()))
    return "\n".join(lines)


def unfinished_line(each: Mapping[str, Any]) -> str:
    """One thing that keeps a job from being closed, in words."""
    between = f" {each['between']}" if each.get("between") else ""
    what = f"{each['item']} {test_words(each['test'])}{between}" if "item" in each else str(each.get("what", ""))
    return f"{harmless(what)} {harmless(str(each['why']))}"


def _goes_back(what: object) -> str:
    return "It comes back last of all" if what == SUPPLY else "Put it back before supply"


def _caution_words(caution: object) -> str:
    """A caution is named by its test, or by its own words, which stay as they are."""
    return test_words(caution) if caution in set(Test) else harmless(str(caution))


def _numbers(word: str) -> Callable[[Mapping[str, Any]], str]:
    def sentence(f: Mapping[str, Any]) -> str:
        many = f"readings {f['first']} to {f['last']}" if f["first"] != f["last"] else f"reading {f['first']}"
        return f"{many.capitalize()} of meter {harmless(str(f['serial']), 40)} {word}"

    return sentence


def _lapsed(f: Mapping[str, Any]) -> str:
    words = f" ({harmless(str(f['words']))})" if f.get("words") else ""
    doubts = ", ".join(str(entry) for entry in f.get("doubts", ()))
    again = f" Told late: results measured since are in doubt (entries {doubts}); take them again." if doubts else ""
    return f"Proof of meter {harmless(str(f['serial']), 40)} lapsed: {f['why']}{words}. Check it again.{again}"


_SENTENCES: Final[dict[str, Callable[[Mapping[str, Any]], str]]] = {
    "ready": _ready,
    "reading": _reading,
    "proof": _proof,
    "result": _result,
    "refused": _refused,
    "lapsed": _lapsed,
    "failed": lambda f: harmless(str(f["why"]), 600),
    "gap": _numbers("did not come; asked for again"),
    "filled": _numbers("came after all"),
    "lost": _numbers("are lost: the meter no longer has them"),
    "damaged": lambda f: f"Damaged bytes ({harmless(str(f['why']))}): kept, never a reading",
    "disconnected": lambda f: (
        f"Line lost: {harmless(str(f['why']))}." + ("" if str(f["line"]).startswith("replay:") else " Trying again.")
    ),
    "reconnected": lambda f: f"Line back after {f['away_s']} s",
    "selected": lambda f: (
        f"Selected {harmless(str(f['item']))} {test_words(f['test'])}{volts(f['voltage'])}"
        f" between {harmless(str(f['between']))}"
    ),
    "caution": lambda f: f"CAUTION {test_words(f['test'])}: {harmless(str(f['text']), 600)}",
    "confirmed": lambda f: f"Confirmed: {_caution_words(f['caution'])}",
    "altered": lambda f: (
        f"Altered: {harmless(str(f['what']))} is {harmless(str(f['to']))}. {_goes_back(f['what'])}."
        + (f" ({harmless(str(f['hint']), 200)})" if f.get("hint") else "")
    ),
    "restored": lambda f: f"Restored: {harmless(str(f['what']))}",
    "set": lambda f: f"{harmless(str(f['device']))} is {harmless(str(f['position']))}",
    "skipped": lambda f: f"Skipped {harmless(str(f['item']))} {test_words(f['test'])}: {harmless(str(f['why']))}",
    "noted": lambda f: f"Note: {harmless(str(f['text']), 600)}",
    "closed": lambda _: "The logbook is closed. Nothing more is recorded in it.",
}


def sentence(name: str, fields: Mapping[str, Any]) -> str:
    """An event as a sentence (a refused close has a line more for each thing unfinished)."""
    say = _SENTENCES.get(name)
    return say(fields) if say else harmless(f"{name}: {dict(fields)}")


CONDUCTOR_WORDS: Final = {
    "L": "line",
    "L1": "line 1",
    "L2": "line 2",
    "L3": "line 3",
    "N": "neutral",
    "PE": "earth",
    "BODY": "body",
}

MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def test_words(test: object) -> str:
    """`earth continuity`."""
    return harmless(str(test), 24).replace("-", " ")


def between_words(between: object) -> str:
    """`line+neutral to earth`; one conductor alone is measured from end to end."""
    sides = [
        "+".join(CONDUCTOR_WORDS.get(name, harmless(name, 12)) for name in side.split("+"))
        for side in str(between).split("/")
    ]
    return " to ".join(sides) if len(sides) > 1 else f"{sides[0]}, end to end" if sides[0] else ""


def setting_words(setting: Mapping[str, Any]) -> str:
    """`5 times 30 mA, 180°`, from the setting of an RCD test; empty where there is none."""
    rated, multiple, phase = (setting.get(name) for name in ("rated", "multiple", "phase"))
    times = f"{harmless(str(multiple), 8)} times " if multiple is not None else ""
    parts = [f"{times}{harmless(str(rated), 8)} mA" if rated is not None else times.strip()]
    parts.append(f"{harmless(str(phase), 8)}°" if phase is not None else "")
    return ", ".join(part for part in parts if part)


def date_words(iso_date: str) -> str:
    """`14 Mar 2027`; a date that cannot be read stays as the meter gave it."""
    try:
        day = date.fromisoformat(iso_date)
    except ValueError:
        return harmless(iso_date, 16)
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def day_and_time(moment: datetime) -> str:
    """`Tue 24 Nov  09:21`."""
    return f"{DAYS[moment.weekday()]} {moment.day} {MONTHS[moment.month - 1]}  {moment:%H:%M}"


def proof_words(proof: Proof, at: str, *, voltage: str | None) -> str:
    """A proof in words (interface, section 5): `unproven: part the leads`, `proven 09:14, 500 V` …

    Args:
        at: local time, hours and minutes, of the check that it counts from; used where it is proven.
    """
    if proof.is_whole:
        return f"proven {at}{',' if voltage else ''}{volts(voltage)}"
    if not proof.points:
        return f"lapsed: {harmless(proof.lapsed, 40)}" if proof.lapsed else "unproven: part the leads"
    missing = "part the leads" if Point.ZERO in proof.points else "short the leads"
    return f"half proven: {missing}"


def on_function(function: object, voltage: str | None) -> str:
    """What a meter is set to: `insulation, 500 V`; `continuity`."""
    return f"{test_words(function)}{',' if voltage else ''}{volts(voltage)}"


def not_counting(reason: str, function: object, voltage: str | None) -> str:
    """Why a reading does not count, naming what it is not proven for: `the meter is not proven on 500 V`."""
    on = f"{harmless(voltage, 12)} V" if voltage else test_words(function)
    if reason == Reason.NOT_PROVEN:
        return f"the meter is not proven on {on}"
    if reason == Reason.PROOF_LAPSED:
        return f"the meter's proof on {on} has lapsed"
    return REASON_WORDS.get(reason, harmless(reason))
