"""The replay link: a capture in place of a meter, at once or at its pace; and the link that makes such a capture."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from drivers.links.base import Chunk, Link
from drivers.links.capture_file import CaptureWriter, Piece, open_capture, pieces
from drivers.links.threads import in_daemon_thread
from logger.clock import NS_PER_S, Clock
from logger.errors import LinkEnded, LinkFailed, LinkLost, LinkReason
from logger.text import harmless

BATCH_PIECES = 256
"""How many pieces are read from the file at a time: one trip to a thread serves many."""

FILE_LIMIT_S = 30.0
"""Longest wait for one batch from the disk, seconds: a sleeping network drive wakes within it."""


class ReplayLink:
    """A capture, played once. Chunks are stamped with the time at which they are handed over, not the capture's.

    Args:
        path: of the capture, in either form (`capture_file`).
        clock: stamps the chunks and times the pace.
        pace: times the capture's own pace; 0 hands everything over at once.
        baud: the pace of a capture that holds no times, bits a second.
    """

    can_send = False

    def __init__(self, path: Path, clock: Clock, pace: float, baud: int) -> None:
        self._path = path
        self._clock = clock
        self._pace = pace
        self._baud = baud
        self._ready: deque[Piece] = deque()
        self._file: BinaryIO | None = None
        self._pieces: Iterator[Piece] = iter(())
        self._fetching: asyncio.Future[list[Piece]] | None = None
        self._end: LinkEnded | None = None
        self._started_ns = 0

    async def open(self) -> None:
        """Open the file. Raises InputWrong if it cannot be read, LinkFailed if the disk does not answer."""
        try:
            self._file = await in_daemon_thread(lambda: open_capture(self._path), FILE_LIMIT_S, "capture")
        except TimeoutError as error:
            raise LinkFailed(self._stuck().sentence, "wake or reconnect the disk", LinkReason.SILENT) from error
        self._pieces = pieces(self._file, self._baud)
        self._started_ns = self._clock.mono_ns()

    async def receive(self) -> Chunk:
        """The next piece, when it is due. Raises LinkEnded after the last."""
        while not self._ready:
            await self._fetch()
        if self._pace:
            due_ns = self._started_ns + round(self._ready[0].due_ns / self._pace)
            while (wait_ns := due_ns - self._clock.mono_ns()) > 0:
                await self._clock.sleep(wait_ns / NS_PER_S)
        return Chunk(self._ready.popleft().data, self._clock.mono_ns())

    async def send(self, data: bytes) -> None:
        """There is nobody to send to."""
        raise LinkLost(f"A replay takes no commands; {len(data)} bytes were not sent")

    async def close(self) -> None:
        """Let go of the file."""
        if self._fetching is not None:
            self._fetching.cancel()
            self._fetching = None
        if self._file is not None:
            with contextlib.suppress(OSError):
                self._file.close()

    async def _fetch(self) -> None:
        """Read on. A fetch outlives a cancelled wait, so that nothing it brought is lost."""
        if self._end is not None:
            raise self._end
        if self._fetching is None:
            self._fetching = asyncio.ensure_future(in_daemon_thread(self._read_batch, FILE_LIMIT_S, "capture"))
        try:
            batch = await asyncio.shield(self._fetching)
        except TimeoutError as error:
            raise self._stuck() from error
        self._fetching = None
        self._ready.extend(batch)
        if not batch and self._end is None:
            self._end = LinkEnded(f"The capture {harmless(str(self._path))} is at its end")

    def _read_batch(self) -> list[Piece]:
        """In a thread."""
        batch: list[Piece] = []
        try:
            batch.extend(itertools.islice(self._pieces, BATCH_PIECES))
        except LinkEnded as ended:
            self._end = ended
        except OSError as error:
            self._end = LinkEnded(f"The capture {harmless(str(self._path))} cannot be read further ({error.strerror})")
        return batch

    def _stuck(self) -> LinkEnded:
        return LinkEnded(f"The disk does not give {harmless(str(self._path))} within {FILE_LIMIT_S:.0f} s")


class RecordingLink:
    """A link that writes down whatever another link receives, before it hands it on."""

    def __init__(self, link: Link, writer: CaptureWriter) -> None:
        self._link = link
        self._writer = writer

    @property
    def can_send(self) -> bool:
        """As the other link."""
        return self._link.can_send

    async def open(self) -> None:
        """Open the other link."""
        await self._link.open()

    async def receive(self) -> Chunk:
        """The other link's next chunk, written down. Raises what that raises, and OSError if the disk is full."""
        chunk = await self._link.receive()
        self._writer.write(chunk)
        return chunk

    async def send(self, data: bytes) -> None:
        """Send on the other link; commands are not written down."""
        await self._link.send(data)

    async def close(self) -> None:
        """Close the other link; the writer stays open for the next one."""
        await self._link.close()
