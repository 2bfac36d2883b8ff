"""`show`: where a job stands, or one entry with its raw bytes and how its verdict came about."""

from __future__ import annotations

import argparse
import base64
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logger.logbook.entries import Entry
    from logger.logbook.reader import LogbookReader
    from logger.state import JobState
    from logger.timed_log import TimedEntry


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`show LOGBOOK [ENTRY] [--json]`."""
    parser = commands.add_parser("show", help="a job's state, or one entry down to its raw bytes")
    parser.add_argument("logbook", type=Path)
    parser.add_argument("entry", type=int, nargs="?", help="number of an entry")
    parser.add_argument("--json", action="store_true")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print; 0, 1 where a result of the job fails, is undecided or in doubt, 2 where there is no such logbook or entry,
    4 where it is damaged."""
    from logger.clock import SystemClock
    from logger.job.work import falls_short
    from logger.logbook.reader import LogbookReader
    from logger.timed_log import timed_runs
    from tui import timed_words
    from tui.cli.output import emit, say
    from tui.wiring import fold

    lines: Iterable[str]
    short = False
    with LogbookReader.open(arguments.logbook) as reader:
        if arguments.entry is not None:
            shown = entry_record(reader, arguments.entry)
            lines = entry_lines(shown)
        else:
            state = fold(reader, SystemClock())
            short = falls_short(state)
            runs = timed_runs(reader)
            shown = {**job_record(state, reader), "timed_runs": [timed_words.entry_record(each) for each in runs]}
            lines = [*_job_lines(shown), *_timed_lines(runs)]
    if arguments.json:
        emit(shown)
    else:
        for line in lines:
            say(line)
    return 1 if short else 0


def job_record(state: JobState, reader: LogbookReader) -> dict[str, Any]:
    """A job's state as JSON: work, meters with their proofs, alterations, what keeps it from being closed."""
    from logger.job.work import unfinished, work_list

    plan = state.plan
    return {
        "title": plan.title if plan else "",
        "rules": plan.rules if plan else "",
        "entries": reader.size,
        "closed_at": state.closed_at,
        "operator": state.operator,
        "work": [
            {
                "item": work.item,
                "name": work.name,
                "test": work.test,
                "required": work.required,
                "outcome": work.outcome,
                "bracketed": work.result.is_bracketed if work.result else None,
                "result": work.result.entry if work.result else None,
                "value": work.result.body.get("value") if work.result else None,
                "unit": work.result.body.get("unit") if work.result else None,
                "relation": work.result.body.get("relation") if work.result else None,
                "why": work.why,
                "again": work.again,
            }
            for work in work_list(state)
        ],
        "meters": [_meter(state, serial) for serial in state.meters],
        "alterations": [
            {"what": a.what, "to": a.to, "why": a.why, "since": a.at, "entry": a.entry}
            for a in state.alterations.values()
        ],
        "positions": dict(state.positions),
        "unfinished": unfinished(state),
    }


def _meter(state: JobState, serial: str) -> dict[str, Any]:
    meter = state.meters[serial]
    return {
        "serial": serial,
        "maker": meter.maker,
        "model": meter.model,
        "calibrated_until": meter.calibrated_until,
        "battery_percent": meter.battery_percent,
        "proofs": [
            {"function": key.function, "voltage": key.voltage, "state": proof.state, "lapsed": proof.lapsed}
            for key, proof in state.proofs.items()
            if key.serial == serial
        ],
    }


def _job_lines(shown: Mapping[str, Any]) -> Iterator[str]:
    from logger.text import harmless
    from tui.present import VERDICT_SIGN, figure, meter_name, unfinished_line

    ended = f"closed {shown['closed_at']}" if shown["closed_at"] else "open"
    yield f"{harmless(shown['title'])}: rules {harmless(shown['rules'])}, {shown['entries']} entries, {ended}"
    for work in shown["work"]:
        value = figure(work["value"], work["unit"], work["relation"]) if work["unit"] else work["why"]
        bracket = "" if work["bracketed"] in {None, True} else " (no closing check yet)"
        if work["again"] is not None:
            bracket += f" (take it again: older than the failure of entry {work['again']}, mended since)"
        name = harmless(f"{work['item']} {work['name']}".strip(), 36)
        sign = VERDICT_SIGN.get(work["outcome"], " ")
        yield f"  {name:36} {work['test']:19} {work['outcome']:10} {harmless(value)}{bracket} {sign}".rstrip()
    for meter in shown["meters"]:
        proofs = [
            f"{p['function']}{' ' + p['voltage'] + ' V' if p['voltage'] else ''} {p['state']}"
            + (f": {p['lapsed']}" if p["lapsed"] else "")
            for p in meter["proofs"]
        ]
        yield f"  Meter {meter_name(meter)}: {', '.join(proofs) if proofs else 'never checked'}"
    if not shown["closed_at"] and shown["unfinished"]:
        yield "Before it can be closed:"
        for each in shown["unfinished"]:
            yield "  " + unfinished_line(each)


def _timed_lines(runs: Sequence[TimedEntry]) -> Iterator[str]:
    from tui.timed_words import HEADING, NO_VERDICT, entry_line

    if runs:
        yield f"{HEADING} (entry numbers in brackets):"
        for each in runs:
            yield f"  {entry_line(each)}"
        yield f"  {NO_VERDICT}"


def entry_record(reader: LogbookReader, number: int) -> dict[str, Any]:
    """One entry as JSON, with its raw bytes and, for a result, its reading, selection and self-checks.

    Raises:
        InputWrong: if there is none of that number.
    """
    from logger.audit.remark import remarks_in
    from logger.audit.remarks_beside import look_beside
    from logger.errors import InputWrong

    if not 1 <= number <= reader.size:
        raise InputWrong(f"There is no entry {number}", f"entries run from 1 to {reader.size}")
    entry = reader.entry(number)
    shown = _plain(entry)
    shown["raw"] = [_raw_line(each) for each in _sources(reader, entry)]
    for name in ("reading", "selection"):
        value = entry.data.get(name)
        if isinstance(value, int):
            shown[f"its_{name}"] = _plain(reader.entry(value))
            if name == "reading":
                shown["raw"] = [_raw_line(each) for each in _sources(reader, reader.entry(value))]
    checks = entry.data.get("self_checks")
    if isinstance(checks, list):
        shown["its_self_checks"] = [_plain(reader.entry(each)) for each in checks]
    shown["remarks"] = [each.body() for each in (*remarks_in(reader, number), *look_beside(reader, number).remarks)]
    return shown


def _plain(entry: Entry) -> dict[str, Any]:
    return {"number": entry.number, "at": entry.at, "kind": entry.kind, "body": entry.data, "leaf": entry.leaf.hex()}


def _sources(reader: LogbookReader, entry: Entry) -> list[Entry]:
    if entry.kind == "raw":
        return [entry]
    source = entry.data.get("raw")
    if not isinstance(source, list) or not source:
        return []
    return list(reader.entries(first=source[0], last=source[-1], kinds=("raw",)))


def _raw_line(entry: Entry) -> dict[str, Any]:
    from logger.text import harmless

    data = base64.b64decode(entry.data["data"])
    return {"entry": entry.number, "hex": data.hex(" "), "text": harmless(data.decode("utf-8", "replace"), 4000)}


def entry_lines(shown: Mapping[str, Any]) -> Iterator[str]:
    """What `entry_record` found, for a person; harmless."""
    from logger.audit.remark import Remark
    from logger.text import harmless
    from tui.audit_words import remark_line

    yield f"Entry {shown['number']}, {shown['kind']}, {shown['at']}"
    yield from _body_lines(shown["body"])
    for name in ("its_reading", "its_selection"):
        if name in shown:
            yield f"{name.removeprefix('its_').capitalize()}, entry {shown[name]['number']}:"
            yield from _body_lines(shown[name]["body"])
    for check in shown.get("its_self_checks", ()):
        yield f"Self-check, entry {check['number']}, {check['at']}:"
        yield from _body_lines(check["body"])
    for raw in shown["raw"]:
        yield f"Bytes as they came, entry {raw['entry']}:"
        for start in range(0, len(raw["hex"]), 48):
            yield f"  {raw['hex'][start : start + 48]}"
        yield f"  {raw['text']}"
    for remark in shown["remarks"]:
        yield remark_line(Remark(**{name: value for name, value in remark.items() if name != "signed"}))
    yield f"Leaf {harmless(shown['leaf'])}"


def _body_lines(body: Mapping[str, Any]) -> Iterator[str]:
    from logger.text import harmless

    for name, value in body.items():
        text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
        yield f"  {harmless(name, 24):18} {harmless(text, 2000)}"
