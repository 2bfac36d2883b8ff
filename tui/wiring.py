"""The composition root: addresses, drivers, a logbook and a recorder become one running session.

Three threads, and nothing else is shared between them but the inbox and a lock:

    lines      one event loop; every link and conversation lives here, so that a stalled screen delays no byte
    recorder   the only one that touches recorder and logbook; commits in groups, then publishes
    caller     command line or app: submits steps, is handed events (on the recorder's thread)

No Textual, no argparse here: command line and app both come through this door.
"""

from __future__ import annotations

import platform
import queue
import sys
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Any, Final

from drivers import registry
from drivers.address import Address
from drivers.links.open import look_ahead
from logger.clock import NS_PER_S, Clock, from_rfc3339
from logger.errors import InstrumentFailed, StorageFailed, ZerofirstError
from logger.happening import Ended, Happening, Read, Ready
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook
from logger.reading import Identity
from logger.recorder.core import Recorder, read_step
from logger.recorder.event import Event, Refusal
from logger.recorder.remark import last_recorded_at
from logger.recorder.resume import highest_numbers
from logger.state import JobState
from tui.book_keeper import BookKeeper
from tui.confirming import Confirming, Publish
from tui.instrument_book import InstrumentBook
from tui.lines_thread import LineFailed, Lines
from tui.operators import operator_of, own_key

GROUP_WINDOW_S: Final = 0.02
"""Longest that a reading waits for others before they are committed together, seconds (record, section 2)."""

SWITCH_S: Final = 0.0005
"""How long one thread may keep the interpreter while others want it, seconds. A reading changes threads four times on
its way to the disk: with Python's own 5 ms, a screen at work for 80 ms at a time made that 180 ms; so it makes 43."""

TICK_S: Final = 0.25
"""How often time is looked at while nothing comes, seconds: proofs end and checks are refused this promptly."""

INBOX_AT_MOST: Final = 100_000
"""Most batches that wait for the recorder: two minutes of sixteen meters; beyond it the lines wait in turn."""

NEEDS_A_METER: Final = frozenset({"prove", "select", "take"})
"""Steps that wait until every meter has said who it is, or failed."""


class _Word(Enum):
    FINISH = "finish"
    STOP = "stop"


@dataclass(slots=True)
class Outcome:
    """How a session ended. `error` is what ended it early, if anything did."""

    error: ZerofirstError | None = None
    close_refused: bool = False
    failures: dict[str, ZerofirstError] = field(default_factory=dict)
    """By line: why a meter cannot be had now."""


def fold(reader: LogbookReader, clock: Clock) -> JobState:
    """The job's state as the log has it, times turned into this session's monotonic clock."""
    state = JobState()
    now, now_ns = clock.utc(), clock.mono_ns()
    first_gap: int | None = None
    for entry in reader.entries(kinds=JobState.KINDS):
        ago_s = (now - from_rfc3339(entry.at)).total_seconds()
        state.apply(entry.number, entry.at, entry.kind, entry.data, now_ns - round(ago_s * NS_PER_S))
        first_gap = (first_gap or entry.number) if state.open_gaps else None
    if first_gap is not None:
        for entry in reader.entries(first_gap, kinds=(Kind.READING,)):
            state.number_came(str(entry.data["serial"]), str(entry.data["boot"]), int(entry.data["n"]))
    state.last_at = last_recorded_at(reader)
    return state


class Session:
    """A logbook being written from meters and steps.

    Args:
        path: the logbook; it must exist.
        addresses: the meters.
        publish: handed every event, in order, after its entry is on disk; runs on the recorder's thread.
        clock: the source of time.
        end_on_failure: a meter that cannot be reached ends the session (command line) or is only told (app).
        operator: who works; the plan's operator or the user's name where not given.
        key_for: the operator's signing key, by name; checkpoints are signed with it.
        book: where this machine remembers the meters it has met; None keeps no memory (a demo).
    """

    def __init__(
        self,
        path: Path,
        addresses: Sequence[Address],
        publish: Publish,
        clock: Clock,
        *,
        end_on_failure: bool,
        operator: str = "",
        key_for: Callable[[str], OperatorKey | None] | None = None,
        book: InstrumentBook | None = None,
    ) -> None:
        self._path = path
        self._addresses = tuple(addresses)
        self._publish = publish
        self._clock = clock
        self._key_for = key_for or own_key
        self._end_on_failure = end_on_failure
        self._operator = operator
        self._keeper = BookKeeper(book) if book is not None else None
        self._inbox: queue.Queue[Sequence[Happening] | Mapping[str, Any] | str | LineFailed | _Word]
        self._inbox = queue.Queue(INBOX_AT_MOST)
        self._lines = Lines(self._addresses, self._inbox.put, clock, keep_trying=not end_on_failure)
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._outcome = Outcome()
        self._waiting: set[str] = set()
        self._highest: dict[tuple[str, str], int] = {}
        self._steps: deque[Mapping[str, Any] | str] = deque()
        self._finishing = False
        self.lock = threading.RLock()

    def start(self) -> None:
        """Open the logbook for writing and begin.

        Raises:
            LogbookUnusable: no logbook, closed, or held by another process.
            LogbookDamaged: it is damaged.
            InputWrong: a driver that is not installed, or a capture that cannot be replayed.
        """
        drivers = {a.url: registry.load(a.driver) for a in self._addresses if a.kind != "keyed"}
        for address in self._addresses:
            look_ahead(address)
        with LogbookReader.open(self._path) as reader:
            self._operator = self._operator or operator_of(reader)
        self._logbook = Logbook.open(self._path, self._clock, self._key_for(self._operator))
        try:
            with LogbookReader.open(self._path) as reader:
                state = fold(reader, self._clock)
                self._highest = highest_numbers(reader, reader.size)
            names = {url: f"{driver.name} {registry.version_of(driver.name)}" for url, driver in drivers.items()}
            self._recorder = Recorder(self._logbook, state, self._clock, names)
            self._recorder.begin(self._opened())
            self._confirming = Confirming(self._logbook, self._clock, self._publish)
        except BaseException:
            self._logbook.close()
            raise
        if self._keeper is not None:
            self._keeper.start()
        sys.setswitchinterval(SWITCH_S)
        self._waiting = set(drivers)
        self._lines.start(drivers, lambda serial, boot: self._highest.get((serial, boot)))
        self._thread.start()

    def _opened(self) -> dict[str, object]:
        from logger.version import VERSION

        return {
            "operator": self._operator,
            "host": platform.node(),
            "version": VERSION,
            "utc_offset_min": self._clock.utc_offset_min(),
        }

    @property
    def state(self) -> JobState:
        """What the log says now; hold `lock` while reading it from another thread."""
        return self._recorder.state

    @property
    def recorder(self) -> Recorder:
        """The recorder; hold `lock` while reading from it on another thread."""
        return self._recorder

    @property
    def failures(self) -> tuple[ZerofirstError, ...]:
        """Lines that could not be reached, or broke down for good, in that order. Thread-safe."""
        return tuple(self._outcome.failures.values())

    @property
    def trouble(self) -> str:
        """What is wrong with the disk now; empty while all is well. Readings wait in memory meanwhile."""
        return self._confirming.trouble

    def disk_trouble(self) -> str:
        """What keeps entries from the disk just now, a slow one included; empty while all is well. Thread-safe."""
        return self._confirming.disk_trouble()

    def submit(self, step: Mapping[str, Any] | str) -> None:
        """Queue a step (or a line that should be one). Thread-safe; answered by an event."""
        self._inbox.put(step)

    def finish(self) -> None:
        """Stop when the steps submitted so far have their answers. Thread-safe."""
        self._inbox.put(_Word.FINISH)

    def stop(self) -> None:
        """Stop now; what has arrived is still recorded. Thread-safe."""
        self._inbox.put(_Word.STOP)

    def wait(self, timeout_s: float | None = None) -> Outcome | None:
        """The outcome when the session has ended; None if it has not within `timeout_s`."""
        self._thread.join(timeout_s)
        return None if self._thread.is_alive() else self._outcome

    # -- the recorder's thread ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self._begin_keyed()
            while not self._turn():
                pass
        except ZerofirstError as error:
            self._outcome.error = error
        except Exception as error:  # what was confirmed is on disk; say so instead of dying on a thread
            self._outcome.error = InstrumentFailed(f"Recording ended by a fault ({type(error).__name__}: {error})")
            self._outcome.error.__cause__ = error
        finally:
            self._wind_up()

    def _begin_keyed(self) -> None:
        with self.lock:
            for address in self._addresses:
                if address.kind == "keyed":
                    self._recorder.keyed_meter(address.url, _keyed_identity(address, self._clock))
        self._commit()

    def _turn(self) -> bool:
        """Take in what came, commit it, publish it. True when the session is over."""
        batch = self._collect()
        over = False
        with self.lock:
            happenings: list[Happening] = []
            for item in batch:
                if isinstance(item, _Word):
                    over = over or item is _Word.STOP
                    self._finishing = True
                elif isinstance(item, LineFailed):
                    over = self._line_failed(item) or over
                elif isinstance(item, Mapping | str):
                    self._steps.append(item)
                else:
                    happenings.extend(item)
            self._take_in(happenings)
            self._recorder.tick()
            self._do_steps()
        self._commit()
        done = self._finishing and not self._steps and not self._waiting and self._recorder.check is None
        return over or done or self._confirming.deaf or self._recorder.state.closed_at is not None

    def _collect(self) -> list[Any]:
        """What is in the inbox, waiting a little for company; a step is not kept waiting."""
        try:
            items = [self._inbox.get(timeout=TICK_S)]
        except queue.Empty:
            return []
        deadline_ns = self._clock.mono_ns() + round(GROUP_WINDOW_S * NS_PER_S)
        while not isinstance(items[-1], Mapping | str | _Word):
            left_s = (deadline_ns - self._clock.mono_ns()) / NS_PER_S
            try:
                items.append(self._inbox.get(timeout=left_s) if left_s > 0 else self._inbox.get_nowait())
            except queue.Empty:
                break
        return items

    def _take_in(self, happenings: Sequence[Happening]) -> None:
        if happenings:
            self._recorder.take_in(happenings)
            self._remember(happenings)
            self._forget_failures(happenings)
            self._waiting.difference_update(h.line for h in happenings if isinstance(h, Ready | Ended))

    def _forget_failures(self, happenings: Sequence[Happening]) -> None:
        for happening in happenings:
            if isinstance(happening, Ready):
                self._outcome.failures.pop(happening.line, None)

    def _remember(self, happenings: Sequence[Happening]) -> None:
        """Keep the highest numbers for a meter that comes back on another line, or after another one on its own."""
        for happening in happenings:
            if isinstance(happening, Read):
                name = (happening.serial, happening.boot)
                self._highest[name] = max(self._highest.get(name, 0), happening.reading.n)

    def _line_failed(self, failed: LineFailed) -> bool:
        self._waiting.discard(failed.line)
        self._outcome.failures[failed.line] = failed.error
        if self._end_on_failure:
            self._outcome.error = failed.error
        return self._end_on_failure

    def _do_steps(self) -> None:
        while self._steps and self._recorder.state.closed_at is None:
            try:
                head = self._steps[0]
                step = read_step(head) if isinstance(head, str) else head
            except Refusal as refusal:
                self._steps.popleft()
                self._recorder.refuse_line(refusal.why)
                continue
            if self._recorder.waits_for(step) or (self._waiting and step.get("do") in NEEDS_A_METER):
                return
            self._steps.popleft()
            self._recorder.do(step)

    def _commit(self) -> None:
        """Confirm what was written. The lock is not held while the disk is waited for: a slow one must not stop the
        screen."""
        with self.lock:
            events = self._recorder.drain()
        self._note_close(events)
        self._confirming.confirm(events if self._keeper is None else self._keeper.tell(events))

    def _note_close(self, events: Sequence[Event]) -> None:
        for event in events:
            if event.name == "closed":
                self._outcome.close_refused = False
            elif event.name == "refused" and event.fields.get("do") == "close":
                self._outcome.close_refused = True

    def _wind_up(self) -> None:
        """Halt the meters, record what still came, leave the file folded in."""
        self._lines.stop()
        with self.lock:
            last: list[Happening] = []
            with suppress(queue.Empty):
                while True:
                    item = self._inbox.get_nowait()
                    if isinstance(item, Sequence) and not isinstance(item, str):
                        last.extend(item)
            self._take_in(last)
            self._recorder.give_up_gaps()
            if self._recorder.state.closed_at is None:
                self._logbook.append(Kind.STOPPED, {"operator": self._recorder.state.operator})
                self._logbook.checkpoint()
        self._commit()
        try:
            self._confirming.finish()
        except StorageFailed as failed:
            self._outcome.error = self._outcome.error or failed
        if self._keeper is not None:
            self._keeper.close()


def _keyed_identity(address: Address, clock: Clock) -> Identity:
    options = address.options
    return Identity(
        serial=options.get("serial", "keyed"),
        boot=f"keyed-{clock.utc():%Y%m%dT%H%M%S}",
        maker=options.get("maker", ""),
        model=options.get("model", ""),
        calibrated_until=options.get("cal", ""),
    )
