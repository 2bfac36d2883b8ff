"""`watch`: what a meter sends, decoded and raw, as it comes. Records nothing; `--save` keeps the raw bytes."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import math
import random
import signal
from pathlib import Path
from typing import TYPE_CHECKING

from logger.text import harmless

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.api import Conversation
    from drivers.links.base import Link
    from drivers.links.capture_file import CaptureWriter
    from logger.clock import Clock
    from logger.errors import InstrumentFailed
    from logger.happening import Happening
    from tui.cli.watch_lines import Lines


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`watch URL [--json] [--seconds N] [--save FILE]`."""
    parser = commands.add_parser("watch", help="show what a meter sends; record nothing")
    parser.add_argument("url", metavar="URL", help="the meter, such as serial:/dev/ttyUSB0 or tcp:127.0.0.1:4000")
    parser.add_argument("--json", action="store_true", help="one JSON object a frame: at, type, fields, raw, ok")
    parser.add_argument("--seconds", type=_seconds, metavar="N", help="stop after N seconds (else at Ctrl-C)")
    parser.add_argument("--save", type=Path, metavar="FILE", help="keep the raw bytes in FILE, for replay:FILE")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Watch until Ctrl-C, the time is up, or the far end is finished; 0 then.

    Raises:
        InputWrong: if the URL, the driver or FILE is wrong.
        InstrumentFailed: if not a byte came within 15 s, or within N seconds where that is less.
    """
    from drivers import registry
    from drivers.address import parse
    from drivers.links.capture_file import CaptureWriter
    from drivers.links.open import links_for
    from logger.clock import SystemClock
    from tui.cli.watch_lines import Lines

    clock = SystemClock()
    address = parse(arguments.url)
    new_link = links_for(address, clock)
    driver = registry.load(address.driver)
    conversation = driver.converse(address.url, address.rate, _nothing_held)
    lines = Lines(clock, as_json=arguments.json, is_meter_line=driver.name == "meter-line")
    writer = CaptureWriter(arguments.save) if arguments.save else None
    try:
        asyncio.run(_watch(address.url, conversation, clock, lines, new_link, writer, arguments.seconds))
    except KeyboardInterrupt:
        pass  # that is how a person ends it; the meter was halted on the way out
    finally:
        if writer is not None:
            writer.close()
    return 0


async def _watch(
    url: str,
    conversation: Conversation,
    clock: Clock,
    lines: Lines,
    new_link: Callable[[], Link],
    writer: CaptureWriter | None,
    seconds: float | None,
) -> None:
    from drivers.line import run_line
    from drivers.links.replay import RecordingLink

    def make_link() -> Link:
        return RecordingLink(new_link(), writer) if writer is not None else new_link()

    stop, ear = asyncio.Event(), _Ear(url)
    with contextlib.suppress(NotImplementedError, RuntimeError):  # not on every system, nor off the main thread
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    timer = asyncio.ensure_future(_stop_after(clock, seconds, stop)) if seconds is not None else None
    try:
        await run_line(
            conversation,
            make_link,
            clock,
            lines.show,
            stop,
            random.Random(),
            line=url,
            reached=ear.hears,
            on_failure=ear.tell,
        )
        if timer is not None and timer.done() and not ear.has_heard:
            raise ear.failure
    finally:
        if timer is not None:
            timer.cancel()


class _Ear:
    """Whether anything came, and why not."""

    def __init__(self, url: str) -> None:
        from logger.errors import LinkFailed, LinkReason

        self.has_heard = False
        self.failure: InstrumentFailed = LinkFailed(
            f"Not a byte came from {url} in that time", "watch for longer, and check the meter", LinkReason.SILENT
        )

    def hears(self, happening: Happening) -> bool:
        """Whoever watches may be looking for the reason why a meter is not understood: any byte will do."""
        from logger.happening import RawBytes

        self.has_heard = self.has_heard or isinstance(happening, RawBytes)
        return self.has_heard

    def tell(self, failure: InstrumentFailed) -> None:
        """Say why a line does not open or broke, once for each reason, while it is tried again."""
        from tui.cli.output import complain

        if str(failure) != str(self.failure):
            self.failure = failure
            complain(f"{failure} Trying again.")


async def _stop_after(clock: Clock, seconds: float, stop: asyncio.Event) -> None:
    await clock.sleep(seconds)
    stop.set()


def _nothing_held(_serial: str, _boot: str) -> int | None:
    return None


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = math.nan
    if not 0 < seconds < math.inf:
        raise argparse.ArgumentTypeError(f"{harmless(text, 40)} is no number of seconds above 0")
    return seconds
