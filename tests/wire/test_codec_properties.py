"""What must hold for any text, any garbage and any way of cutting the stream."""

from __future__ import annotations

import random
import tracemalloc
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire_tools import VECTORS, events_of, line_of, only_frame

from drivers.codecs.framing import LINE_BYTES_AT_MOST
from drivers.codecs.meter_line import Frame, Junk, MeterLineCodec, NeedData, encode
from logger.errors import CannotSend

NAMES = st.from_regex(r"[a-z][a-z0-9-]{0,7}", fullmatch=True)
TEXTS = st.text(st.characters(codec="utf-8"), max_size=12)
LINES = [line_of(row) for row in VECTORS]
NOISE = st.one_of(
    st.binary(max_size=300),
    st.text("@*=% \r\nabz09AF", max_size=300).map(str.encode),
    st.sampled_from(LINES).flatmap(lambda line: st.integers(1, len(line) - 1).map(lambda cut: line[:cut])),
)


def cut_up(data: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[low:high] for low, high in pairwise(places)]


@given(NAMES, st.dictionaries(NAMES, TEXTS, max_size=4))
def test_any_text_comes_back_as_it_was_sent(frame_type: str, fields: dict[str, str]) -> None:
    try:
        line = encode(frame_type, fields)
    except CannotSend as error:
        assert "240" in error.sentence
        return
    assert len(line) <= 240
    assert all(0x20 <= byte <= 0x7E for byte in line[:-1])
    frame = only_frame(line)
    assert (frame.type, frame.fields, frame.raw) == (frame_type, fields, line)


@given(st.lists(st.one_of(NOISE, st.sampled_from(LINES)), max_size=8), st.lists(st.integers(0), max_size=12))
def test_every_byte_stands_in_exactly_one_event_however_the_stream_is_cut(parts: list[bytes], cuts: list[int]) -> None:
    stream = b"".join(parts)
    events, left = events_of([stream])
    assert events_of(cut_up(stream, cuts)) == (events, left)
    at = 0
    for event in [*events, *([left] if left else [])]:
        data = event.raw if isinstance(event, Frame) else event.data
        assert (event.first, event.last) == (at, at + len(data))
        assert stream[event.first : event.last] == data
        assert 1 <= len(data) <= LINE_BYTES_AT_MOST
        at = event.last
    assert at == len(stream)


@given(st.lists(st.tuples(NOISE, st.sampled_from(LINES)), min_size=1, max_size=6), NOISE)
def test_garbage_between_frames_loses_no_frame(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    """Noise that holds no LF cannot make a frame; a frame is found behind whatever stands before it."""
    stream = b"".join(noise.replace(b"\n", b"?") + line for noise, line in parts) + tail.replace(b"\n", b"?")
    events, _ = events_of([stream])
    assert [event.raw for event in events if isinstance(event, Frame)] == [line for _, line in parts]


@given(st.binary(max_size=2000))
def test_noise_alone_is_never_a_frame(noise: bytes) -> None:
    events, _ = events_of([noise])
    assert all(isinstance(event, Junk) for event in events)


def test_a_wrong_speed_gives_no_frame_in_two_megabytes() -> None:
    """Framing bytes far more often than chance would have them, so that the check itself is tried."""
    source = random.Random(8)
    body = bytes(source.choices(b"@*\nrdev nt=0123456789ABCDEF", k=2_000_000))
    events, _ = events_of(body[at : at + 4096] for at in range(0, len(body), 4096))
    assert len(events) > 50_000
    assert not [event for event in events if isinstance(event, Frame)]


@pytest.mark.parametrize("filler", [b"w", b"@", b"\x00", b"\xff", b"@rd n=1 "])
def test_ten_megabytes_without_an_end_of_line_take_no_memory(filler: bytes) -> None:
    codec = MeterLineCodec()
    chunk = (filler * 65_536)[:65_536]
    total = 0
    tracemalloc.start()
    try:
        for _ in range(160):
            codec.receive(chunk)
            while not isinstance(event := codec.next_event(), NeedData):
                assert isinstance(event, Junk)
                total += len(event.data)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    left = codec.finish()
    assert total + (len(left.data) if left else 0) == 160 * 65_536
    assert left is None or len(left.data) <= LINE_BYTES_AT_MOST
    assert peak < 4 * 65_536


def test_offsets_go_on_after_a_line_broke() -> None:
    codec = MeterLineCodec()
    codec.receive(b"@half")
    assert isinstance(codec.next_event(), NeedData)
    assert codec.finish() == Junk(b"@half", 0, 5, "cut short")
    assert codec.finish() is None
    codec.receive(LINES[0])
    frame = codec.next_event()
    assert isinstance(frame, Frame)
    assert frame.first == 5


@pytest.mark.parametrize(
    ("frame_type", "fields"),
    [
        ("", {}),
        ("Rd", {}),
        ("1d", {}),
        ("rd\n", {}),
        ("r d", {}),
        ("rd", {"": "x"}),
        ("rd", {"N": "x"}),
        ("rd", {"n=": "x"}),
        ("rd", {"n": "\ud800"}),
        ("rd", {"n": "w" * 240}),
        ("rd", {"n": "\n" * 80}),
    ],
)
def test_what_the_protocol_cannot_say_is_not_sent(frame_type: str, fields: dict[str, str]) -> None:
    with pytest.raises(CannotSend):
        encode(frame_type, fields)
