"""Chunks that have arrived and were not taken yet. One loop, one taker; who brings them is another's concern."""

from __future__ import annotations

import asyncio
from collections import deque

from drivers.links.base import Chunk
from logger.errors import InstrumentFailed


class Arrivals:
    """A queue whose end is an error: what arrived before it is handed over first. Whoever puts in bounds it."""

    def __init__(self) -> None:
        self._chunks: deque[Chunk] = deque()
        self._end: InstrumentFailed | None = None
        self._news = asyncio.Event()
        self._waiting_bytes = 0

    @property
    def waiting_bytes(self) -> int:
        """Bytes that arrived and were not taken."""
        return self._waiting_bytes

    @property
    def ended(self) -> InstrumentFailed | None:
        """Why no more will come, or None while more may."""
        return self._end

    def add(self, chunk: Chunk) -> None:
        """One more."""
        self._chunks.append(chunk)
        self._waiting_bytes += len(chunk.data)
        self._news.set()

    def end(self, failure: InstrumentFailed) -> None:
        """No more will come. The first reason given stands."""
        self._end = self._end or failure
        self._news.set()

    async def take(self) -> Chunk:
        """The next chunk. Cancelling the wait loses nothing. Raises what `end` was given once all are taken."""
        while not self._chunks:
            if self._end is not None:
                raise self._end
            self._news.clear()
            await self._news.wait()
        chunk = self._chunks.popleft()
        self._waiting_bytes -= len(chunk.data)
        return chunk
