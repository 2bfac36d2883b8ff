"""Every vector whole, cut at every byte, with others around it, and with every bit flipped; both directions."""

from __future__ import annotations

from typing import Any

import pytest
from wire_tools import VECTORS, WRONG_FRAMES, events_of, framed, line_of, only_frame

from drivers.codecs.meter_line import Frame, Junk, encode

NEXT = framed("halt")
by_text = pytest.mark.parametrize("row", VECTORS, ids=lambda row: row["text"][:40])


def told(events: list[Frame | Junk]) -> list[object]:
    return [(e.type, e.fields, e.raw) if isinstance(e, Frame) else (e.data, e.why) for e in events]


def test_the_contracts_twelve_vectors_are_all_here() -> None:
    assert len(VECTORS) == 12
    assert {row["type"] for row in VECTORS} == {"ask", "run", "halt", "id", "fn", "rd", "ev", "end", "err"}


@by_text
def test_bytes_to_frame_and_back(row: dict[str, Any]) -> None:
    line = line_of(row)
    frame = only_frame(line)
    assert (frame.type, frame.fields, frame.raw, frame.first, frame.last) == (
        row["type"],
        row["fields"],
        line,
        0,
        len(line),
    )
    assert encode(row["type"], row["fields"]) == line


@by_text
def test_cut_at_every_byte_with_the_next_frame_behind(row: dict[str, Any]) -> None:
    stream = line_of(row) + NEXT
    whole, left = events_of([stream])
    assert [type(event) for event in whole] == [Frame, Frame]
    assert left is None
    for cut in range(len(stream) + 1):
        assert events_of([stream[:cut], stream[cut:]]) == (whole, None)
    assert events_of(stream[at : at + 1] for at in range(len(stream))) == (whole, None)


@by_text
def test_a_cr_before_the_lf_changes_nothing_but_the_raw_bytes(row: dict[str, Any]) -> None:
    line = line_of(row)[:-1] + b"\r\n"
    frame = only_frame(line)
    assert (frame.type, frame.fields, frame.raw) == (row["type"], row["fields"], line)


@by_text
def test_cut_short_anywhere_and_followed_by_a_good_frame(row: dict[str, Any]) -> None:
    line = line_of(row)
    for cut in range(1, len(line)):
        events, left = events_of([line[:cut] + NEXT])
        assert told(events) == [(line[:cut], "cut short"), ("halt", {}, NEXT)]
        assert left is None


@by_text
def test_half_a_frame_at_the_end_is_left_and_told(row: dict[str, Any]) -> None:
    line = line_of(row)
    for cut in range(1, len(line)):
        assert events_of([line[:cut]]) == ([], Junk(line[:cut], 0, cut, "cut short"))


@by_text
def test_no_flipped_bit_gives_a_frame_and_the_next_one_is_found(row: dict[str, Any]) -> None:
    line = line_of(row)
    for at in range(len(line)):
        for bit in range(8):
            hurt = line[:at] + bytes([line[at] ^ 1 << bit]) + line[at + 1 :]
            events, left = events_of([hurt + NEXT])
            assert [event.raw for event in events if isinstance(event, Frame)] == [NEXT]
            assert b"".join(e.data for e in events if isinstance(e, Junk)) == hurt
            assert left is None


@by_text
def test_no_byte_dropped_doubled_or_swapped_gives_a_frame(row: dict[str, Any]) -> None:
    line = line_of(row)
    for at in range(len(line) - 1):
        dropped = line[:at] + line[at + 1 :]
        swapped = line[:at] + line[at + 1 : at + 2] + line[at : at + 1] + line[at + 2 :]
        for hurt in (dropped, swapped):
            if hurt != line:
                events, _ = events_of([hurt + NEXT])
                assert [event.raw for event in events if isinstance(event, Frame)] == [NEXT]


@pytest.mark.parametrize("row", WRONG_FRAMES, ids=lambda row: row["what"])
def test_what_is_wrong_is_junk_with_its_reason(row: dict[str, Any]) -> None:
    line = line_of(row)
    events, left = events_of([line + NEXT])
    assert told(events) == [(line, row["why"]), ("halt", {}, NEXT)]
    assert left is None


def test_only_printable_bytes_without_a_meaning_may_stand_bare_in_a_value() -> None:
    bare = set(range(0x21, 0x7F)) - set(b"%*=@")
    for byte in set(range(256)):
        events, _ = events_of([framed("err why=" + chr(byte))])
        assert any(isinstance(event, Frame) for event in events) is (byte in bare)


def test_the_longest_frame_is_240_bytes_and_its_cr_does_not_count() -> None:
    body = "err why=" + "w" * (240 - len("@err why=*12345678\n"))
    longest = framed(body)
    assert len(longest) == 240
    assert only_frame(longest).type == "err"
    assert only_frame(longest[:-1] + b"\r\n").type == "err"
    events, _ = events_of([framed(body + "w")])
    assert [e.why for e in events if isinstance(e, Junk)] == ["too long"]
    events, left = events_of([framed(body + "w" * 50) + NEXT])
    assert [isinstance(event, Frame) for event in events] == [False, False, True]
    assert left is None


@pytest.mark.parametrize("noise", [b"w", b"@", b"@rd n=1 "])
def test_a_frame_is_found_behind_noise_of_any_length(noise: bytes) -> None:
    line = line_of(VECTORS[5])
    for length in range(520):
        before = (noise * 520)[:length]
        for stream in ([before + line], [before, line]):
            events, left = events_of(stream)
            assert [event.raw for event in events if isinstance(event, Frame)] == [line]
            assert b"".join(event.data for event in events if isinstance(event, Junk)) == before
            assert left is None


def test_what_is_too_long_to_be_a_frame_is_told_without_waiting_for_its_end() -> None:
    assert events_of([b"w" * 240]) == ([], Junk(b"w" * 240, 0, 240, "no frame"))
    assert events_of([b"w" * 241]) == ([Junk(b"w" * 241, 0, 241, "no frame")], None)
    assert events_of([b"@" + b"w" * 240]) == ([Junk(b"@" + b"w" * 240, 0, 241, "too long")], None)


def test_percent_encoding_of_either_case_is_read_and_upper_case_is_written() -> None:
    assert only_frame(framed("err why=%c3%a9")).fields == {"why": "é"}
    assert encode("err", {"why": "é"}) == framed("err why=%C3%A9")
