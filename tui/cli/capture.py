"""`capture`: the recorder without a screen. Steps in on standard input, events out on standard output."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.job.work import falls_short
from logger.recorder.limits import STEP_BYTES_AT_MOST
from tui.cli.output import complain, json_line
from tui.cli.printing import Printer

if TYPE_CHECKING:
    from logger.recorder.event import Event
    from logger.state import JobState
    from tui.wiring import Outcome, Session


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """`capture LOGBOOK --from URL… [--json]`."""
    parser = commands.add_parser("capture", help="record from meters: steps in, events out, no screen")
    parser.add_argument("logbook", type=Path)
    parser.add_argument(
        "--from",
        dest="urls",
        metavar="URL",
        nargs="+",
        action="extend",
        required=True,
        help="a meter: serial:/dev/ttyUSB0, tcp:127.0.0.1:4000, ble:ADDRESS, replay:FILE, keyed:",
    )
    parser.add_argument("--json", action="store_true", help="events as JSON lines instead of sentences")
    parser.add_argument("--operator", default="", help="who works (else the plan's operator, else the user's name)")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Record until standard input ends, the logbook is closed, or a signal comes. See `exit_code`."""

    from drivers import address
    from logger.clock import SystemClock
    from tui.instrument_book import InstrumentBook
    from tui.wiring import Session

    addresses = [address.parse(url) for url in arguments.urls]
    printer = Printer(_as_json if arguments.json else sentences())
    session = Session(
        arguments.logbook,
        addresses,
        printer.publish,
        SystemClock(),
        end_on_failure=True,
        operator=arguments.operator,
        book=InstrumentBook(),
    )
    session.start()
    told_to_stop = threading.Event()

    def stop(*_: object) -> None:
        told_to_stop.set()
        session.stop()

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), stop)
    threading.Thread(target=_feed, args=(session,), name="steps", daemon=True).start()
    outcome = _wait(session)
    printer.finish(PRINT_AFTER_STOP_S if told_to_stop.is_set() else None)
    if outcome.error is not None:
        raise outcome.error
    return exit_code(outcome, session.state)


READ_BYTES: Final = 65_536
"""Most bytes taken from standard input at once."""

WAIT_SLICE_S: Final = 0.2
"""How often the main thread wakes so that a signal is acted on, seconds."""


PRINT_AFTER_STOP_S: Final = 5.0
"""How long printing may take once a signal has told us to stop, seconds."""


def _wait(session: Session) -> Outcome:
    """Until it is over; what keeps the disk from taking entries is said as it begins and as it ends."""
    said = ""
    while True:
        outcome = session.wait(WAIT_SLICE_S)
        trouble = session.disk_trouble()
        if trouble and not said:
            complain(f"{trouble} Nothing is confirmed until it is written; readings are kept meanwhile.")
        elif said and not trouble and outcome is None:
            complain("The disk takes entries again: all that waited is written.")
        said = trouble
        if outcome is not None:
            return outcome


def _feed(session: Session) -> None:
    """Hand over standard input, line by line, and say when it ends."""
    for line in _lines_of(sys.stdin.fileno()):
        text = line.decode("utf-8", "replace").strip()
        if text:
            session.submit(text)
    session.finish()


def _lines_of(descriptor: int) -> Iterator[bytes]:
    """Lines as they come, the last one without its end too.

    Reads the descriptor itself: a thread that waits in a buffered stream aborts the interpreter when it shuts down.
    """
    pending, too_long = b"", False
    while data := os.read(descriptor, READ_BYTES):
        *lines, pending = (pending + data).split(b"\n")
        if lines and too_long:  # the rest of a line that was refused already is no step of its own
            lines, too_long = lines[1:], False
        yield from lines
        if too_long:
            pending = b""
        elif len(pending) > STEP_BYTES_AT_MOST:
            yield pending
            pending, too_long = b"", True
    if pending:
        yield pending


def _as_json(event: Event) -> str:
    return json_line(event.record())


def sentences() -> Callable[[Event], str]:
    """Events as sentences, for a person; a timed run is told as it passes a mark."""
    from tui.present import local_time, sentence
    from tui.timed_told import TimedTold

    timed = TimedTold()

    def say(event: Event) -> str:
        fields: dict[str, Any] = dict(event.fields)
        told = timed.take(event)
        time = local_time(event.at)
        return f"{time} {sentence(event.name, fields)}" + (f"\n{time} {told}" if told else "")

    return say


def exit_code(outcome: Outcome, state: JobState) -> int:
    """0 all well; 1 a result that stands fails, is undecided or in doubt, or the last close was refused."""
    return 1 if falls_short(state) or outcome.close_refused else 0
