"""The leaf is what the record promises, covers every column, and whatever text a stranger sends can be stored."""

from __future__ import annotations

import hashlib
import json
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import LogbookDamaged
from logger.logbook.entries import Entry, Kind, body_text, leaf_hash

ENTRY = (7, "2027-03-01T09:00:00.000000Z", "reading", '{"value":"0.42 Ω"}')

any_text = st.text(st.characters(exclude_categories=[]))
"""Every code point, lone surrogates among them."""


def by_the_book(number: int, at: str, kind: str, body: str) -> bytes:
    parts = [b"\x00", number.to_bytes(8, "big")]
    for text in (at, kind, body):
        raw = text.encode("utf-8")
        parts += [len(raw).to_bytes(4, "big"), raw]
    return hashlib.sha256(b"".join(parts)).digest()


def test_a_known_leaf() -> None:
    assert (
        leaf_hash(1, "a", "b", "{}").hex()
        == hashlib.sha256(
            b"\x00" + b"\x00" * 7 + b"\x01" + b"\x00\x00\x00\x01a" + b"\x00\x00\x00\x01b" + b"\x00\x00\x00\x02{}"
        ).hexdigest()
    )


@given(st.integers(0, 2**63 - 1), st.text(), st.text(), st.text())
def test_leaves_by_the_book(number: int, at: str, kind: str, body: str) -> None:
    assert leaf_hash(number, at, kind, body) == by_the_book(number, at, kind, body)


def test_the_leaf_covers_every_column() -> None:
    leaf = leaf_hash(*ENTRY)
    for position, other in enumerate((8, "2027-03-01T09:00:00.000001Z", "readinG", '{"value":"0.43 Ω"}')):
        changed = list(ENTRY)
        changed[position] = other
        assert leaf_hash(*changed) != leaf  # type: ignore[arg-type]


def test_text_cannot_move_from_one_column_to_the_next() -> None:
    assert leaf_hash(1, "ab", "c", "{}") != leaf_hash(1, "a", "bc", "{}")


def test_a_number_that_fits_no_leaf_is_refused() -> None:
    with pytest.raises(struct.error):
        leaf_hash(-1, *ENTRY[1:])


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | any_text,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(any_text, inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(any_text, json_values, max_size=6))
def test_any_body_is_stored_as_utf_8_and_read_back(body: dict[str, object]) -> None:
    text = body_text(body)
    text.encode("utf-8")
    assert "\x00" not in text
    assert Entry(1, "", Kind.NOTE, text, b"").data == json.loads(json.dumps(body))


def test_bodies_are_compact_and_keep_unicode() -> None:
    assert body_text({"value": "≥ 200", "unit": "MΩ", "n": 1, "ok": True}) == (
        '{"value":"≥ 200","unit":"MΩ","n":1,"ok":true}'
    )
    assert body_text({"name": "\ud800"}) == '{"name":"\\ud800"}'


def test_what_json_has_no_word_for_is_our_own_mistake() -> None:
    with pytest.raises(ValueError, match="Out of range float"):
        body_text({"value": float("nan")})
    with pytest.raises(TypeError):
        body_text({"value": object()})


@pytest.mark.parametrize("body", ["", "[]", "1", "{", '"text"', "[" * 100_000])
def test_a_body_that_is_no_object_is_damage(body: str) -> None:
    with pytest.raises(LogbookDamaged, match="Entry 7") as caught:
        _ = Entry(7, "", Kind.NOTE, body, b"").data
    assert caught.value.entry == 7
