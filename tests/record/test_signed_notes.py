"""Signed notes and checkpoints: the published example, strict reading, and the one error for anything else."""

from __future__ import annotations

import base64

import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_kit import KEY, OTHER_KEY

from logger.logbook.keys import OperatorKey
from logger.logbook.note import NoteWrong, parse_note, parse_vkey, write_note
from logger.logbook.seal import Checkpoint, parse_checkpoint, sign_checkpoint, sign_key_change

EXAMPLE_KEY = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
EXAMPLE_NOTE = (
    "If you think cryptography is the answer to your problem,\n"
    "then you don't know what your problem is.\n"
    "\n"
    "— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n"
)
"""The example of the format's first publication."""

CHECKPOINT = Checkpoint("ab" * 16, 42, bytes(range(32)))
SIGNED = sign_checkpoint(CHECKPOINT, KEY)


def test_the_published_example() -> None:
    key, note = parse_vkey(EXAMPLE_KEY), parse_note(EXAMPLE_NOTE)
    assert key.signed(note)
    assert note.text.endswith("problem is.\n")
    assert key.text == EXAMPLE_KEY
    assert write_note(note.text, note.signatures) == EXAMPLE_NOTE


def test_a_checkpoint_is_the_text_that_the_record_promises() -> None:
    lines = SIGNED.split("\n")
    assert lines[0] == f"zerofirst/{'ab' * 16}"
    assert lines[1] == "42"
    assert base64.b64decode(lines[2]) == bytes(range(32))
    assert lines[3] == ""
    mark, name, signature = lines[4].split(" ")
    assert (mark, name) == ("—", KEY.name)
    assert base64.b64decode(signature)[:4] == KEY.verifier.key_hash
    assert lines[5:] == [""]


def test_only_who_signed_has_signed() -> None:
    found = parse_checkpoint(SIGNED)
    assert found.checkpoint == CHECKPOINT
    assert KEY.verifier.signed(found.note)
    assert not OTHER_KEY.verifier.signed(found.note)
    stranger = OperatorKey.from_seed(KEY.name, b"stranger" * 4)
    assert not stranger.verifier.signed(found.note), "the name alone is nothing"


def test_a_second_signature_does_not_disturb_the_first() -> None:
    both = write_note(CHECKPOINT.text, [KEY.sign(CHECKPOINT.text), OTHER_KEY.sign(CHECKPOINT.text)])
    note = parse_checkpoint(both).note
    assert KEY.verifier.signed(note)
    assert OTHER_KEY.verifier.signed(note)


def test_a_false_line_beside_a_true_one_is_refused() -> None:
    true, false = KEY.sign(CHECKPOINT.text), KEY.sign("something else\n")
    assert not KEY.verifier.signed(parse_note(write_note(CHECKPOINT.text, [true, false])))


def test_every_flipped_bit_is_refused() -> None:
    raw = SIGNED.encode()
    for position in range(len(raw)):
        for bit in range(8):
            flipped = bytearray(raw)
            flipped[position] ^= 1 << bit
            try:
                found = parse_checkpoint(flipped.decode("utf-8"))
            except (NoteWrong, UnicodeDecodeError):
                continue
            assert not KEY.verifier.signed(found.note), f"byte {position}, bit {bit}"


@pytest.mark.parametrize(
    "wrong",
    [
        "",
        "no signature\n",
        "text\n\n",
        "text\n\n— name\n",
        "text\n\n- name AAAA\n",
        "text\n\n— na+me " + "A" * 92 + "\n",
        SIGNED[:-1],
        SIGNED.replace("\n42\n", "\n042\n"),
        SIGNED.replace("\n42\n", "\n+42\n"),
        SIGNED.replace("\n42\n", "\n٤٢\n"),
        SIGNED.replace("\n42\n", "\n\n"),
        SIGNED.replace("zerofirst/", "otherlog/"),
        SIGNED.replace("\n", "\r\n"),
        "\x00" + SIGNED,
        "\ud800" + SIGNED,
        SIGNED + "— more\n",
        "x" * 70_000,
    ],
)
def test_what_is_no_checkpoint(wrong: str) -> None:
    with pytest.raises(NoteWrong):
        parse_checkpoint(wrong)


@given(st.text() | st.binary().map(lambda data: data.decode("utf-8", "replace")))
def test_anything_else_gives_the_one_error(text: str) -> None:
    for read in (parse_note, parse_checkpoint, parse_vkey):
        try:
            read(text)
        except NoteWrong:
            continue


@pytest.mark.parametrize(
    "wrong",
    [
        EXAMPLE_KEY.replace("c74f20a3", "c74f20a4"),
        EXAMPLE_KEY.replace("PeterNeumann", "Peter Neumann"),
        EXAMPLE_KEY[:-4],
        EXAMPLE_KEY.replace("ARpc", "AhpC"),
        "name+00000000+",
        "+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
    ],
)
def test_what_is_no_key(wrong: str) -> None:
    with pytest.raises(NoteWrong):
        parse_vkey(wrong)


def test_a_key_change_is_no_checkpoint() -> None:
    with pytest.raises(NoteWrong):
        parse_checkpoint(sign_key_change("ab" * 16, KEY, OTHER_KEY))


def test_the_short_code_is_for_the_eye() -> None:
    assert CHECKPOINT.short_code == "42-0001-0203-0405-0607"
    assert len(KEY.fingerprint.split(" ")) == 8
