"""A bench for the line runner: a wire in memory, a clock moved by hand, a conversation, and what came of it."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from typing import Any

from line_parts import CountingConversation

from drivers.line import run_line
from drivers.links.base import Link
from drivers.links.memory import MemoryLine
from logger.clock import ManualClock
from logger.errors import InstrumentFailed
from logger.happening import Happening


@dataclass
class Bench:
    """A line that runs: wire, clock, conversation and what came of it."""

    clock: ManualClock = field(default_factory=ManualClock)
    conversation: Any = field(default_factory=CountingConversation)
    happenings: list[Happening] = field(default_factory=list)
    failures: list[InstrumentFailed] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.wire = MemoryLine(self.clock)
        self.stop = asyncio.Event()
        self.make_link: Callable[[], Link] = self.wire.host_end

    def start(self, **options: Any) -> asyncio.Task[None]:
        def emit(batch: Sequence[Happening]) -> None:
            self.happenings.extend(batch)

        source = random.Random(7)
        running = run_line(
            self.conversation,
            lambda: self.make_link(),
            self.clock,
            emit,
            self.stop,
            source,
            line="memory:",
            on_failure=self.failures.append,
            **options,
        )
        return asyncio.ensure_future(running)

    def kinds(self) -> list[str]:
        return [type(happening).__name__ for happening in self.happenings]


def on_a_bench(test: Callable[[Bench], Coroutine[Any, Any, None]]) -> None:
    async def run() -> None:
        await test(Bench())

    asyncio.run(run())
