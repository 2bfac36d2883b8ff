"""The instruments that this machine has met, by serial number: what they were, where they hung, when last checked.

Here lives one small file in the user's data folder. It is a memory for people, not evidence: what counts stands in the
logbooks. So it never stops anything: a book that cannot be read or written is told about, and work goes on.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from drivers.address import AddressKind, parse, url_for
from drivers.links.ble_service import as_address
from logger.errors import AddressWrong
from logger.text import harmless

if TYPE_CHECKING:
    from collections.abc import Iterator

    from logger.recorder.event import Event

BOOK_VARIABLE: Final = "ZEROFIRST_BOOK"
"""Environment variable that names another file for the book."""

INSTRUMENTS_AT_MOST: Final = 500
"""Most instruments remembered, a count: a large workshop has a tenth of it. The longest unseen is forgotten first."""

TEXT_AT_MOST: Final = 240
"""Longest text kept of an instrument, characters: one protocol frame."""

FILE_BYTES_AT_MOST: Final = 16 * 1024 * 1024
"""Largest book that is read, bytes: every instrument with every text at its longest, 12 bytes a character, is less."""

LOCK_WITHIN_S: Final = 1.0
"""How long another program may hold the book, seconds: writing it takes a few milliseconds."""

SET_ASIDE_AT_MOST: Final = 9
"""How many damaged books are kept, a count."""

PRIVATE_MODE: Final = 0o600


@dataclass(frozen=True, slots=True)
class Known:
    """An instrument as it was last met. Texts are a stranger's: make them harmless where they are shown.

    Attributes:
        calibrated_until: ISO 8601 date as the instrument gave it; empty where it did not.
        url: the line on which it was last, without options; empty where it was keyed by hand or played back.
        first_at, last_at: when it was first and last met, UTC, RFC 3339.
        check_at: when its last self-check was, UTC, RFC 3339; empty if there was none yet.
        check: that check in words: point, function, test voltage and outcome.
    """

    serial: str
    maker: str = ""
    model: str = ""
    firmware: str = ""
    calibrated_until: str = ""
    url: str = ""
    first_at: str = ""
    last_at: str = ""
    check_at: str = ""
    check: str = ""


_NAMES: Final = tuple(field.name for field in fields(Known))


class InstrumentBook:
    """The book.

    Args:
        path: the file; None is the one in the user's data folder, or where `ZEROFIRST_BOOK` says.

    Attributes:
        trouble: why it could not be read or written the last time, in one sentence; empty while all is well.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._path = path or book_path()
        self.trouble = ""

    def known(self) -> tuple[Known, ...]:
        """Every instrument in it, the last met first. Never raises: see `trouble`."""
        try:
            book = self._read()
        except OSError as error:
            self._failed("read", error)
            return ()
        self.trouble = ""
        return tuple(sorted(book.values(), key=lambda known: known.last_at, reverse=True))

    def at(self, url: str) -> Known | None:
        """The instrument that was last met on that line."""
        place = place_of(url)
        return next((known for known in self.known() if known.url == place), None) if place else None

    def take(self, events: Iterable[Event]) -> tuple[str, ...]:
        """Note what `ready` and `proof` events of a session tell; all others are passed over.

        Yields, in a sentence each, what a person should know: an instrument that is new, one that is not what it was,
        another one on a line than last time, and a book that cannot be kept. Never raises.
        """
        telling = [event for event in events if event.name in {"ready", "proof"}]
        if not telling:
            return ()
        remarks: list[str] = []
        had_trouble = self.trouble
        try:
            with self._held():
                book = self._read()
                for event in telling:
                    remarks += take_note(book, event)
                self._write(book)
            self.trouble = ""
        except OSError as error:
            self._failed("kept", error)
        if self.trouble and not had_trouble:
            remarks.append(self.trouble)
        return tuple(remarks)

    def _failed(self, what: str, error: OSError) -> None:
        why = error.strerror or str(error)
        self.trouble = (
            f"The instrument book {self._path} cannot be {what} ({why}): mend it, or name another in {BOOK_VARIABLE}."
        )

    @contextmanager
    def _held(self) -> Iterator[None]:
        from filelock import FileLock, Timeout

        self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        try:
            with FileLock(f"{self._path}.lock", timeout=LOCK_WITHIN_S, mode=PRIVATE_MODE):
                yield
        except Timeout as error:
            raise OSError("another program holds it") from error

    def _read(self) -> dict[str, Known]:
        """By serial number. A book that is damaged is set aside, and begun anew."""
        try:
            with self._path.open("rb") as file:
                data = file.read(FILE_BYTES_AT_MOST + 1)
        except FileNotFoundError:
            return {}
        try:
            if len(data) > FILE_BYTES_AT_MOST:
                raise ValueError("too large")
            entries = json.loads(data)["instruments"]
            book = [_known(entry) for entry in entries]
        except (ValueError, LookupError, TypeError, RecursionError):
            self._set_aside()
            return {}
        return {known.serial: known for known in book[:INSTRUMENTS_AT_MOST]}

    def _set_aside(self) -> None:
        for number in range(1, SET_ASIDE_AT_MOST + 1):
            aside = self._path.with_name(f"{self._path.name}.damaged-{number}")
            if number == SET_ASIDE_AT_MOST or not aside.exists():
                self._path.replace(aside)
                return

    def _write(self, book: dict[str, Known]) -> None:
        newest = sorted(book.values(), key=lambda known: known.last_at, reverse=True)[:INSTRUMENTS_AT_MOST]
        text = json.dumps({"version": 1, "instruments": [asdict(known) for known in newest]}, indent=1)
        draft = self._path.with_name(f"{self._path.name}.{os.getpid()}.new")
        draft.unlink(missing_ok=True)
        with os.fdopen(
            os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, PRIVATE_MODE), "w", encoding="ascii"
        ) as file:
            file.write(text)
        draft.replace(self._path)


def take_note(book: dict[str, Known], event: Event) -> list[str]:
    """Note in a book in memory what a `ready` or `proof` event tells; what a person should know, in a sentence each."""
    if event.name == "ready":
        return _meet(book, event.at, event.fields)
    _check(book, event.at, event.fields)
    return []


def book_path() -> Path:
    """Where this user's book is."""
    named = os.environ.get(BOOK_VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("zerofirst") / "instruments.json"


def place_of(url: str) -> str:
    """The line that an instrument's URL leads to, however it is spelt, without options; empty for none that lasts."""
    try:
        address = parse(url)
    except AddressWrong:
        return ""
    if address.kind is AddressKind.BLE:
        return url_for(address.kind, as_address(address.target) or address.target)
    return url_for(address.kind, address.target) if address.kind in {AddressKind.SERIAL, AddressKind.TCP} else ""


def _known(entry: Mapping[str, Any]) -> Known:
    texts = {name: entry.get(name, "") for name in _NAMES}
    if not texts["serial"] or not all(isinstance(text, str) for text in texts.values()):
        raise ValueError("not an instrument")
    return Known(**{name: text[:TEXT_AT_MOST] for name, text in texts.items()})


def _meet(book: dict[str, Known], at: str, said: Mapping[str, Any]) -> list[str]:
    """An instrument said who it is: note it; what is worth telling."""
    url = place_of(_text(said, "line"))
    now = Known(
        serial=_text(said, "serial"),
        maker=_text(said, "maker"),
        model=_text(said, "model"),
        firmware=_text(said, "firmware"),
        calibrated_until=_text(said, "calibrated_until"),
        url=url,
        first_at=at,
        last_at=at,
    )
    before = book.get(now.serial)
    another = next((known for known in book.values() if known.url == url and known.serial != now.serial), None)
    remarks = [_new(now)] if before is None else _changes(before, now)
    if another is not None and url:
        there, then = harmless(now.serial), harmless(another.serial)
        remarks.append(f"On {harmless(url)} there is meter {there} now; last time it was {then}.")
        book[another.serial] = replace(another, url="")
    if before is not None:
        now = replace(now, first_at=before.first_at, check_at=before.check_at, check=before.check)
    book[now.serial] = now
    return remarks


def _new(now: Known) -> str:
    about = f" ({harmless(f'{now.maker} {now.model}'.strip())})" if now.maker or now.model else ""
    return f"Meter {harmless(now.serial)}{about} is new to this machine."


def _changes(before: Known, now: Known) -> list[str]:
    changed = [
        f"{word} {harmless(old) or 'unsaid'} before, {harmless(new) or 'unsaid'} now"
        for word, old, new in (
            ("maker", before.maker, now.maker),
            ("model", before.model, now.model),
            ("firmware", before.firmware, now.firmware),
            ("calibrated until", before.calibrated_until, now.calibrated_until),
        )
        if old != new
    ]
    return [f"Meter {harmless(now.serial)} is not what it was: {'; '.join(changed)}."] if changed else []


def _check(book: dict[str, Known], at: str, said: Mapping[str, Any]) -> None:
    known = book.get(_text(said, "serial"))
    if known is not None:
        volts = _text(said, "voltage")
        what = f"{_text(said, 'function')} at {volts} V" if volts else _text(said, "function")
        words = f"{_text(said, 'point')}, {what}: {_text(said, 'outcome')}"
        book[known.serial] = replace(known, check_at=at, check=words[:TEXT_AT_MOST])


def _text(said: Mapping[str, Any], name: str) -> str:
    value = said.get(name)
    return "" if value is None else str(value)[:TEXT_AT_MOST]
