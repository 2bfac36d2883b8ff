"""From any entry to what it rests on and what rests on it: result, reading, bytes, self-checks, selection, rule,
instrument. Each link is an entry and a plain sentence; nothing is judged here, and nothing written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from logger.audit.rederive_words import reading_of
from logger.audit.remark import remarks_in
from logger.audit.trail_words import check_words, meter_words, reading_words, result_words, rule_words
from logger.errors import InputWrong, LogbookDamaged
from logger.logbook.entries import Entry, Kind
from logger.logbook.reader import LogbookReader
from logger.proof import ProofKey
from logger.recorder.checks import standing_of
from logger.recorder.remark import is_remark
from logger.state import JobState

Body = Mapping[str, Any]

LOOK_AHEAD_ENTRIES: Final = 500
"""How far behind raw bytes it is looked for what was decoded from them: a reading follows its bytes at once."""

LINKS_AT_MOST: Final = 60
"""Most links of one entry: three hundred readings may come of one read of a busy line."""


NO_RECORDERS_BODY: Final = (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError)
"""What comes of reading a body that no recorder writes as if one had."""


@dataclass(frozen=True, slots=True)
class Link:
    """One link.

    Attributes:
        role: what the other entry is to this one, in a word or three.
        entry: its number.
        sentence: what it says. Made of a stranger's texts: not harmless yet.
    """

    role: str
    entry: int
    sentence: str


def trail(reader: LogbookReader, number: int) -> tuple[Link, ...]:
    """Where one can go from an entry: first what it rests on, then what rests on it.

    Raises:
        InputWrong: if there is no such entry.
        LogbookDamaged: where entries cannot be read, or say what no recorder writes.
    """
    entry = reader.entry(number)
    data = entry.data
    finder = _FINDERS.get(entry.kind)
    links: list[Link] = []
    try:
        for link in finder(reader, entry, data) if finder else ():
            links.append(link)
            if len(links) >= LINKS_AT_MOST:
                break
        for remark in remarks_in(reader, number):
            links.append(Link("remark on it", remark.entry, f"{remark.by} ({remark.role}): {remark.text}"))
    except (InputWrong, *NO_RECORDERS_BODY) as error:
        said = str(error).split(": ", 1)[0] if isinstance(error, InputWrong) else f"{type(error).__name__}: {error}"
        raise LogbookDamaged(
            f"What entry {number} rests on cannot be followed: an entry is not as a recorder writes it ({said})",
            "see what `zerofirst audit` says of it",
            entry=number,
        ) from error
    return tuple(links[: LINKS_AT_MOST + 1])


def _of_result(reader: LogbookReader, entry: Entry, data: Body) -> Iterator[Link]:
    if isinstance(data.get("reading"), int):
        reading = reader.entry(data["reading"])
        yield Link("its reading", reading.number, reading_words(reading.data))
        yield from _bytes_of(reader, reading.data)
    for number in data.get("self_checks", ()):
        yield Link("self-check before", number, check_words(reader.entry(number).data))
    yield from _closing_checks(reader, entry, data)
    yield from _selection(reader, data)
    rules = _newest(reader, Kind.RULES, entry.number)
    if rules is not None:
        yield Link("its rule", rules.number, rule_words(data, rules.data))
    yield from _instrument(reader, data, entry.number)


def _closing_checks(reader: LogbookReader, entry: Entry, data: Body) -> Iterator[Link]:
    """The first checks of that proof after the result: each point once, until all passed or one failed."""
    carried = data.get("proof")
    if not carried:
        return
    seen: set[str] = set()
    for check in reader.entries(entry.number + 1, kinds=[Kind.SELF_CHECK]):
        body = check.data
        about = (body["serial"], body["function"], body["voltage"])
        if about != (data["serial"], carried["function"], carried["voltage"]) or body["point"] in seen:
            continue
        seen.add(body["point"])
        failed = body["outcome"] != "pass"
        doubt = ": so the result is in doubt" if failed else ""
        yield Link("self-check after", check.number, check_words(body) + doubt)
        if failed or ("zero" in seen and len(seen) > 1):
            return


def _of_reading(reader: LogbookReader, entry: Entry, data: Body) -> Iterator[Link]:
    yield from _bytes_of(reader, data)
    if data.get("check"):
        for check in reader.entries(entry.number, kinds=[Kind.SELF_CHECK]):
            if entry.number in check.data["readings"]:
                yield Link("the check it decided", check.number, check_words(check.data))
            if check.number > entry.number and check.data["serial"] == data["serial"]:
                break
    else:
        yield from _standing_checks(reader, entry, data)
    yield from _selection(reader, data)
    yield from _instrument(reader, data, entry.number)
    for result in reader.entries(entry.number, kinds=[Kind.RESULT]):
        if result.data.get("reading") == entry.number:
            yield Link("result from it", result.number, result_words(result.data))


def _standing_checks(reader: LogbookReader, entry: Entry, data: Body) -> Iterator[Link]:
    """The checks that carried it: found as the recorder finds them, in the state as it stood then."""
    job = JobState()
    for each in reader.entries(last=entry.number - 1, kinds=JobState.KINDS):
        job.apply(each.number, each.at, each.kind, each.data, each.number)
    reading = reading_of(data)
    _, carrier = standing_of(job, str(data["serial"]), reading)
    key = carrier or ProofKey.of(str(data["serial"]), reading.function, reading.voltage)
    for passed in sorted(job.proof_of(key).points.values(), key=lambda each: each.entry):
        role = "self-check before" if carrier else "half of a proof"
        yield Link(role, passed.entry, check_words(reader.entry(passed.entry).data))


def _of_check(reader: LogbookReader, entry: Entry, data: Body) -> Iterator[Link]:
    for number in data["readings"]:
        yield Link("its reading", number, reading_words(reader.entry(number).data))
    yield from _instrument(reader, data, entry.number)
    for result in reader.entries(kinds=[Kind.RESULT]):
        if entry.number in result.data.get("self_checks", ()):
            yield Link("result on it", result.number, result_words(result.data))


def _of_raw(reader: LogbookReader, entry: Entry, data: Body) -> Iterator[Link]:
    yield from _instrument(reader, data, entry.number)
    last = entry.number + LOOK_AHEAD_ENTRIES
    for each in reader.entries(entry.number, last, kinds=[Kind.READING, Kind.DAMAGED]):
        body = each.data
        source = body.get("raw")
        if source and source[0] <= entry.number <= source[-1] and body["serial"] in (data["serial"], None):
            words = reading_words(body) if each.kind == Kind.READING else f"Damaged: {body['why']}"
            yield Link("came of it", each.number, words)


def _of_bytes(reader: LogbookReader, entry: Entry, data: Body) -> Iterator[Link]:
    yield from _bytes_of(reader, data)
    yield from _instrument(reader, data, entry.number)


def _of_selection(reader: LogbookReader, entry: Entry, _data: Body) -> Iterator[Link]:
    for result in reader.entries(entry.number, kinds=[Kind.RESULT]):
        if result.data.get("selection") == entry.number:
            yield Link("result under it", result.number, result_words(result.data))


def _of_lapse(reader: LogbookReader, entry: Entry, data: Body) -> Iterator[Link]:
    yield from _instrument(reader, data, entry.number)
    for result in data.get("doubts", ()):
        yield Link("result in doubt", result, result_words(reader.entry(result).data))


def _of_note(reader: LogbookReader, entry: Entry, data: Body) -> Iterator[Link]:
    if not is_remark(entry.kind, data):
        return
    about = reader.entry(data["about"])
    yield Link("it is about", about.number, f"Entry {about.number}, {about.kind}")


def _bytes_of(reader: LogbookReader, data: Body) -> Iterator[Link]:
    source = data.get("raw")
    if source:
        for raw in reader.entries(source[0], source[-1], kinds=[Kind.RAW]):
            body = raw.data
            if body["serial"] in (data["serial"], None):
                yield Link(
                    "its bytes", raw.number, f"Bytes as they came on {body['line']}, from byte {body['offset']} on"
                )


def _selection(reader: LogbookReader, data: Body) -> Iterator[Link]:
    if isinstance(data.get("selection"), int):
        body = reader.entry(data["selection"]).data
        volts = f", {body['voltage']} V" if body.get("voltage") else ""
        words = f"{body['item']}, {body['test']}{volts}, between {body.get('between')}"
        yield Link("selected then", data["selection"], words)


def _instrument(reader: LogbookReader, data: Body, number: int) -> Iterator[Link]:
    query = (
        "SELECT number FROM entries INDEXED BY milestones WHERE kind = 'instrument' AND kind <> 'raw' AND "
        "kind <> 'reading' AND kind <> 'damaged' AND number <= ? AND json_extract(body, '$.serial') = ? "
        "ORDER BY number DESC LIMIT 1"
    )
    row = reader.connection.execute(query, (number, str(data.get("serial")))).fetchone() if data.get("serial") else None
    if row is not None:
        yield Link("its instrument", row[0], meter_words(reader.entry(row[0]).data))


def _newest(reader: LogbookReader, kind: Kind, up_to: int) -> Entry | None:
    newest = None
    for newest in reader.entries(last=up_to, kinds=[kind]):  # noqa: B007 - the last one is wanted
        pass
    return newest


_FINDERS: Final[dict[str, Callable[[LogbookReader, Entry, Body], Iterator[Link]]]] = {
    Kind.RESULT: _of_result,
    Kind.READING: _of_reading,
    Kind.SELF_CHECK: _of_check,
    Kind.RAW: _of_raw,
    Kind.DAMAGED: _of_bytes,
    Kind.SELECTION: _of_selection,
    Kind.LAPSED: _of_lapse,
    Kind.NOTE: _of_note,
}
