"""The instrument book: who was met, what has changed, and that it never stands in the way."""

from __future__ import annotations

import json
import os
import stat
import sys
import threading
from pathlib import Path

import pytest
from filelock import FileLock

from logger.recorder.event import Event
from tui import instrument_book
from tui.book_keeper import BookKeeper
from tui.instrument_book import INSTRUMENTS_AT_MOST, InstrumentBook, book_path, place_of

METER = {
    "serial": "0417",
    "boot": "b1",
    "maker": "Kiln Works",
    "model": "TM-2",
    "firmware": "1.4",
    "calibrated_until": "2027-12-01",
    "battery_percent": 87,
    "line": "ble:c0:ff:ee:00:00:01?rate=50",
}
PROOF = {"serial": "0417", "point": "zero", "function": "insulation", "voltage": "500", "outcome": "pass"}


@pytest.fixture
def book(tmp_path: Path) -> InstrumentBook:
    return InstrumentBook(tmp_path / "data" / "instruments.json")


def at(minute: int) -> str:
    return f"2027-03-01T09:{minute:02}:00.000000Z"


def ready(minute: int = 0, **said: object) -> Event:
    return Event("ready", at(minute), 5, METER | said)


def proof(minute: int, **said: object) -> Event:
    return Event("proof", at(minute), 9, PROOF | said)


def test_a_new_meter_is_told_and_remembered_with_its_check(book: InstrumentBook) -> None:
    assert book.known() == ()
    assert book.take([ready()]) == ("Meter 0417 (Kiln Works TM-2) is new to this machine.",)
    assert book.take([proof(3), Event("reading", at(4), 10, {})]) == ()
    (known,) = book.known()
    assert (known.serial, known.calibrated_until, known.url) == ("0417", "2027-12-01", "ble:C0:FF:EE:00:00:01")
    assert (known.check_at, known.check) == (at(3), "zero, insulation at 500 V: pass")
    assert book.take([ready(9)]) == ()
    (again,) = book.known()
    assert (again.first_at, again.last_at, again.check) == (at(0), at(9), known.check)


def test_what_is_not_what_it_was_is_told(book: InstrumentBook) -> None:
    book.take([ready()])
    assert book.take([ready(1, model="TM-\x1b9", calibrated_until="2028-12-01", maker="")]) == (
        "Meter 0417 is not what it was: maker Kiln Works before, unsaid now; model TM-2 before, TM-␛9 now; "
        "calibrated until 2027-12-01 before, 2028-12-01 now.",
    )
    assert book.take([ready(2, battery_percent=3, boot="b2", line="tcp:bench:4000", maker="", model="TM-\x1b9")]) == (
        "Meter 0417 is not what it was: calibrated until 2028-12-01 before, 2027-12-01 now.",
    )


def test_another_meter_on_the_same_line_is_told_once(book: InstrumentBook) -> None:
    book.take([ready()])
    assert book.take([ready(1, serial="0418")]) == (
        "Meter 0418 (Kiln Works TM-2) is new to this machine.",
        "On ble:C0:FF:EE:00:00:01 there is meter 0418 now; last time it was 0417.",
    )
    assert book.take([ready(2, serial="0418")]) == ()
    found = book.at("ble:C0-FF-EE-00-00-01?rate=5")
    assert found is not None
    assert found.serial == "0418"
    assert book.at("serial:COM9") is None


@pytest.mark.parametrize(
    ("url", "place"),
    [
        ("ble:aa:bb:cc:dd:ee:0f?rate=1", "ble:AA:BB:CC:DD:EE:0F"),
        ("ble:Bench%201", "ble:Bench 1"),
        ("tcp://h:1?rate=1", "tcp:h:1"),
        ("serial:COM5?baud=9600", "serial:COM5"),
        ("keyed:?serial=0417", ""),
        ("replay:x", ""),
        ("nonsense", ""),
    ],
)
def test_a_line_is_known_however_it_is_spelt(url: str, place: str) -> None:
    assert place_of(url) == place


def test_it_is_for_its_owner_alone_and_leaves_no_draft(book: InstrumentBook, tmp_path: Path) -> None:
    book.take([ready()])
    files = {path.name for path in (tmp_path / "data").iterdir()} - {"instruments.json.lock"}
    assert files == {"instruments.json"}
    if sys.platform != "win32":
        assert stat.S_IMODE((tmp_path / "data" / "instruments.json").stat().st_mode) == 0o600


def test_it_is_bounded_and_forgets_the_longest_unseen(book: InstrumentBook, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(instrument_book, "INSTRUMENTS_AT_MOST", 3)
    for minute in range(5):
        book.take([ready(minute, serial=f"M{minute}", maker="x" * 100_000)])
    assert [known.serial for known in book.known()] == ["M4", "M3", "M2"]
    assert all(len(known.maker) == 240 for known in book.known())
    assert INSTRUMENTS_AT_MOST * 10 * (12 * 240 + 40) < instrument_book.FILE_BYTES_AT_MOST


@pytest.mark.parametrize(
    "damage",
    [b"", b"{", b"[]", b'{"instruments":[{}]}', b'{"instruments":[{"serial":7}]}', b"\xff", b"[" * 100_000, b"{}"],
)
def test_a_damaged_book_is_set_aside_and_begun_anew(book: InstrumentBook, tmp_path: Path, damage: bytes) -> None:
    path = tmp_path / "data" / "instruments.json"
    path.parent.mkdir()
    path.write_bytes(damage)
    assert book.known() == ()
    assert (tmp_path / "data" / "instruments.json.damaged-1").read_bytes() == damage
    assert len(book.take([ready()])) == 1
    assert json.loads(path.read_text())["instruments"][0]["serial"] == "0417"


def test_a_book_that_cannot_be_kept_is_told_once_and_work_goes_on(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    book = InstrumentBook(tmp_path / "file" / "instruments.json")
    (remark,) = book.take([ready()])
    assert remark.startswith(f"The instrument book {tmp_path / 'file' / 'instruments.json'} cannot be kept")
    assert book.take([ready(1)]) == ()
    assert book.known() == ()


def test_a_book_that_another_program_holds_is_not_waited_for_long(
    book: InstrumentBook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(instrument_book, "LOCK_WITHIN_S", 0.05)
    book.take([ready()])
    with FileLock(tmp_path / "data" / "instruments.json.lock"):
        other = InstrumentBook(tmp_path / "data" / "instruments.json")
        (remark,) = other.take([proof(1)])
        assert "another program holds it" in remark
        assert other.at("ble:C0:FF:EE:00:00:01") is not None
    assert other.take([proof(2)]) == ()
    assert other.known()[0].check_at == at(2)


def test_sessions_side_by_side_do_not_lose_each_others_meters(tmp_path: Path) -> None:
    path = tmp_path / "instruments.json"

    def session(number: int) -> None:
        book = InstrumentBook(path)
        for turn in range(10):
            book.take([ready(turn, serial=f"{number}-{turn}", line="")])

    threads = [threading.Thread(target=session, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert {known.serial for known in InstrumentBook(path).known()} == {f"{n}-{t}" for n in range(4) for t in range(10)}


def test_where_it_is(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("ZEROFIRST_BOOK", str(tmp_path / "b.json"))
    assert book_path() == tmp_path / "b.json"
    monkeypatch.delenv("ZEROFIRST_BOOK")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert book_path().name == "instruments.json"
    assert os.fspath(book_path()) != os.fspath(tmp_path / "b.json")


def test_a_session_tells_what_it_remembers_and_writes_what_it_learns(tmp_path: Path) -> None:
    book = InstrumentBook(tmp_path / "book.json")
    first = BookKeeper(book)
    first.start()
    met, checked, other = first.tell([ready(), proof(3), Event("reading", at(4), 7, {})])
    assert met.fields["remarks"] == ["Meter 0417 (Kiln Works TM-2) is new to this machine."]
    assert (checked.fields, other.fields) == (PROOF, {})
    (again,) = first.tell([ready(5, firmware="1.5")])
    assert again.fields["remarks"] == ["Meter 0417 is not what it was: firmware 1.4 before, 1.5 now."]
    first.close()
    (known,) = book.known()
    assert (known.firmware, known.check, known.last_at) == ("1.5", "zero, insulation at 500 V: pass", at(5))
    second = BookKeeper(book)
    second.start()
    (met_again,) = second.tell([ready(9, firmware="1.5")])
    assert met_again.fields["remarks"] == []
    second.close()


def test_a_book_that_cannot_be_kept_is_told_with_the_next_meter_and_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / "book.json").mkdir()
    keeper = BookKeeper(InstrumentBook(tmp_path / "book.json"))
    keeper.start()
    (met,) = keeper.tell([ready()])
    assert len(met.fields["remarks"]) == 2
    assert "cannot be read" in met.fields["remarks"][1]
    keeper.close()


def test_who_keys_without_saying_on_which_meter_is_not_remembered(tmp_path: Path) -> None:
    book = InstrumentBook(tmp_path / "book.json")
    keeper = BookKeeper(book)
    keeper.start()
    (keyed,) = keeper.tell([ready(serial="keyed", line="keyed:")])
    keeper.close()
    assert "remarks" not in keyed.fields
    assert book.known() == ()
