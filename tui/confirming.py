"""From written to confirmed: commits, checkpoints, and events handed out only once the disk has what they tell.

While the disk fails, entries and events wait in memory, in order, and the disk is tried again. Used by one thread.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from logger.clock import NS_PER_S, Clock
from logger.errors import StorageFailed
from logger.logbook.writer import Logbook
from logger.recorder.event import Event

RECOVER_EVERY_S: Final = 1.0
"""How often a failed disk is tried again, seconds."""

SLOW_TOLD_S: Final = 1.5
"""After how long a commit that does not return is told of, seconds."""

SLOW: Final = "The disk does not answer, or another program holds the logbook locked."

Publish = Callable[[Sequence[Event]], None]


class Confirming:
    """Confirms what stands in a logbook.

    Args:
        publish: handed every event, in order, after its entry is on disk.

    Attributes:
        trouble: what is wrong with the disk now, as a sentence; empty while all is well.
        deaf: whoever listened to the events is gone (a closed pipe).
    """

    def __init__(self, logbook: Logbook, clock: Clock, publish: Publish) -> None:
        self._logbook = logbook
        self._clock = clock
        self._publish = publish
        self._unpublished: list[Event] = []
        self._recover_at_ns: int | None = None
        self.trouble = ""
        self._writing_since_ns: int | None = None
        self.deaf = False

    def confirm(self, events: Sequence[Event]) -> None:
        """Make all that was written durable, then publish the events that tell of it; a failed disk keeps them."""
        self._unpublished.extend(events)
        self._writing_since_ns = self._clock.mono_ns()
        try:
            self._checkpoint(events)  # first of all: closed and seal go to the disk together, however long it fails
            if not self._is_disk_ready():
                return
            self._logbook.commit()
        except StorageFailed as failed:
            self.trouble = str(failed)
            self._recover_at_ns = self._clock.mono_ns() + round(RECOVER_EVERY_S * NS_PER_S)
            return
        finally:
            self._writing_since_ns = None
        self._hand_out()

    def finish(self) -> None:
        """Close the logbook, which tries a failed disk once more, and publish what waited for it.

        Raises:
            StorageFailed: the disk still fails.
        """
        self._logbook.close()
        self._hand_out()

    def disk_trouble(self) -> str:
        """What keeps entries from the disk just now, as a sentence; empty while all is well. Thread-safe."""
        began_ns = self._writing_since_ns
        if self.trouble or began_ns is None:
            return self.trouble
        return SLOW if (self._clock.mono_ns() - began_ns) / NS_PER_S >= SLOW_TOLD_S else ""

    def _is_disk_ready(self) -> bool:
        """True while all is well; after a failure, once what waits has been compared with the disk and written."""
        if self._recover_at_ns is None:
            return True
        if self._clock.mono_ns() < self._recover_at_ns:
            return False
        self._logbook.recover()
        self._recover_at_ns, self.trouble = None, ""
        return True

    def _hand_out(self) -> None:
        ready, self._unpublished = self._unpublished, []
        if ready and not self.deaf:
            try:
                self._publish(ready)
            except OSError:
                self.deaf = True

    def _checkpoint(self, events: Sequence[Event]) -> None:
        closed = next((event for event in events if event.name == "closed"), None)
        if closed is not None and closed.fields.get("seal"):
            self._logbook.seal()
        elif any(event.name == "proof" for event in events) or self._logbook.checkpoint_due(self._clock.mono_ns()):
            self._logbook.checkpoint()
