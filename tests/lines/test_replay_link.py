"""Replay and recording: both file forms, at once and paced, and every file that is none."""

from __future__ import annotations

import asyncio
import base64
import json
import os
from collections.abc import Sequence
from pathlib import Path

import pytest
from blockbuster import blockbuster_ctx
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from line_parts import advance, settle

from drivers.address import parse
from drivers.links.base import Chunk
from drivers.links.capture_file import CaptureWriter
from drivers.links.memory import MemoryLine
from drivers.links.open import link_for
from drivers.links.replay import BATCH_PIECES, RecordingLink, ReplayLink
from logger.clock import ManualClock, SystemClock
from logger.errors import InputWrong, LinkEnded, LinkLost


def written(path: Path, chunks: Sequence[Chunk]) -> Path:
    writer = CaptureWriter(path)
    for chunk in chunks:
        writer.write(chunk)
    writer.close()
    return path


async def all_of(link: ReplayLink) -> tuple[list[Chunk], LinkEnded]:
    await link.open()
    chunks: list[Chunk] = []
    try:
        while True:
            chunks.append(await link.receive())
    except LinkEnded as ended:
        return chunks, ended
    finally:
        await link.close()


def replayed(path: Path) -> tuple[bytes, LinkEnded]:
    with blockbuster_ctx():
        chunks, ended = asyncio.run(all_of(ReplayLink(path, SystemClock(), 0, 115_200)))
    return b"".join(chunk.data for chunk in chunks), ended


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(st.binary(min_size=1, max_size=50), max_size=20))
def test_what_was_recorded_is_replayed_to_the_byte(tmp_path: Path, parts: list[bytes]) -> None:
    path = tmp_path / "capture.jsonl"
    path.unlink(missing_ok=True)
    written(path, [Chunk(part, 1000 * number) for number, part in enumerate(parts)])
    data, ended = replayed(path)
    assert data == b"".join(parts)
    assert "at its end" in ended.sentence


@pytest.mark.parametrize("size", [0, 1, 255, 256, 257, 256 * BATCH_PIECES, 256 * BATCH_PIECES + 1])
def test_a_plain_file_is_replayed_to_the_byte(tmp_path: Path, size: int) -> None:
    path = tmp_path / "plain.bin"
    path.write_bytes(os.urandom(size))
    data, _ = replayed(path)
    assert data == path.read_bytes()


def test_a_plain_file_may_begin_like_json(tmp_path: Path) -> None:
    path = tmp_path / "plain.bin"
    path.write_bytes(b'{"not": "a capture"}\n@halt*08E33069\n')
    assert replayed(path)[0] == path.read_bytes()


def test_a_logbook_entry_body_serves_as_a_line(tmp_path: Path) -> None:
    path = tmp_path / "raw.jsonl"
    body = {"data": base64.b64encode(b"@x").decode(), "mono_ns": 5, "serial": "0417", "offset": 0}
    path.write_text(json.dumps(body) + "\n\n" + json.dumps(body | {"data": ""}) + "\n" + json.dumps(body))
    assert replayed(path)[0] == b"@x@x"


@pytest.mark.parametrize(
    "bad",
    [
        "noise",
        "[1]",
        '{"mono_ns": "5", "data": ""}',
        '{"mono_ns": 5, "data": "§"}',
        '{"mono_ns": true, "data": ""}',
        "{",
    ],
)
def test_a_bad_line_ends_the_capture_there_and_says_where(tmp_path: Path, bad: str) -> None:
    path = written(tmp_path / "capture.jsonl", [Chunk(b"one", 1), Chunk(b"two", 2)])
    with path.open("a") as file:
        file.write(bad + "\n")
    data, ended = replayed(path)
    assert data == b"onetwo"
    assert "ends at line 3" in ended.sentence


def test_a_paced_capture_keeps_its_times(tmp_path: Path) -> None:
    path = written(tmp_path / "c.jsonl", [Chunk(b"a", 10**9), Chunk(b"b", 3 * 10**9), Chunk(b"c", 2 * 10**9)])
    assert _arrival_times(f"replay:{path}?pace=1", 3) == [(b"a", 0.0), (b"b", 2.0), (b"c", 2.0)]
    assert _arrival_times(f"replay:{path}?pace=2", 3) == [(b"a", 0.0), (b"b", 1.0), (b"c", 1.0)]
    assert _arrival_times(f"replay:{path}", 3) == [(b"a", 0.0), (b"b", 0.0), (b"c", 0.0)]


def test_a_paced_plain_file_keeps_the_pace_of_its_baud(tmp_path: Path) -> None:
    path = tmp_path / "plain.bin"
    path.write_bytes(b"x" * 600)
    times = _arrival_times(f"replay:{path}?pace=1&baud=2560", 3)
    assert [at for _, at in times] == [0.0, 1.0, 2.0]


def _arrival_times(url: str, count: int) -> list[tuple[bytes, float]]:
    clock = ManualClock()

    async def story() -> list[tuple[bytes, float]]:
        link = link_for(parse(url), clock)
        await link.open()
        got: list[tuple[bytes, float]] = []
        for _ in range(count):
            waiting = asyncio.ensure_future(link.receive())
            while not waiting.done():
                await asyncio.sleep(0.002)  # the file is read in a thread, on the machine's own time
                if link._ready:  # type: ignore[attr-defined]
                    await settle()
                    if not waiting.done():
                        clock.advance(0.25)
                        await settle()
            got.append((waiting.result().data, waiting.result().mono_ns / 1e9))
        await link.close()
        return got

    return asyncio.run(story())


def test_a_cancelled_wait_loses_nothing(tmp_path: Path) -> None:
    parts = [bytes([number]) for number in range(200)] * 3
    path = written(tmp_path / "c.jsonl", [Chunk(part, 0) for part in parts])

    async def story() -> None:
        link = ReplayLink(path, SystemClock(), 0, 115_200)
        await link.open()
        got = b""
        cancelled = 0
        while len(got) < len(parts):
            waiting = asyncio.ensure_future(link.receive())
            await asyncio.sleep(0)
            if not waiting.done() and cancelled < 5:
                cancelled += 1
                waiting.cancel()
                await asyncio.gather(waiting, return_exceptions=True)
                continue
            got += (await waiting).data
        assert got == b"".join(parts)
        assert cancelled
        await link.close()

    asyncio.run(story())


@pytest.mark.parametrize("name", ["missing.jsonl", "", "no-folder/x", "x" * 400, "pipe"])
def test_a_file_that_cannot_be_replayed_is_refused(tmp_path: Path, name: str) -> None:
    if name == "pipe":
        os.mkfifo(tmp_path / name)

    async def story() -> None:
        link = ReplayLink(tmp_path / name, SystemClock(), 0, 115_200)
        with pytest.raises(InputWrong) as refused:
            await link.open()
        assert refused.value.exit_code == 2
        assert refused.value.remedy
        await link.close()

    asyncio.run(story())


def test_nothing_can_be_sent(tmp_path: Path) -> None:
    async def story() -> None:
        link = ReplayLink(tmp_path / "x", SystemClock(), 0, 115_200)
        assert not link.can_send
        with pytest.raises(LinkLost, match="takes no commands"):
            await link.send(b"@halt*08E33069\n")

    asyncio.run(story())


def test_a_kind_without_a_line_is_refused() -> None:
    with pytest.raises(InputWrong):
        link_for(parse("keyed:?serial=1"), SystemClock())


def test_recording_writes_what_it_hands_on_across_connections(tmp_path: Path) -> None:
    path = tmp_path / "capture.jsonl"
    clock = ManualClock()

    async def story() -> None:
        wire = MemoryLine(clock)
        writer = CaptureWriter(path)
        for part in (b"first", b"second"):
            link = RecordingLink(wire.host_end(), writer)
            await link.open()
            assert link.can_send
            await link.send(b"ask")
            await advance(clock, 1)
            await wire.meter_end.send(part)
            assert (await link.receive()).data == part
            await link.close()
        writer.close()

    asyncio.run(story())
    assert [json.loads(line)["mono_ns"] for line in path.read_text().splitlines()] == [10**9, 2 * 10**9]
    assert replayed(path)[0] == b"firstsecond"
    with pytest.raises(InputWrong, match="exists already"):
        CaptureWriter(path)
    with pytest.raises(InputWrong, match="cannot be written"):
        CaptureWriter(tmp_path / "no-folder" / "x")
