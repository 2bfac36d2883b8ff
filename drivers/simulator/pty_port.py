"""The pseudo-terminal side of a served meter: a serial port that exists in software alone.

The path is a link in a folder of its own that points at the terminal of the moment, so that it stays the same
when the line is pulled (the terminal goes away, and whoever holds it sees a hang-up) and put back. There are no
pseudo-terminals on Windows: use TCP there.
"""

from __future__ import annotations

import asyncio
import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from logger.clock import Clock
from logger.errors import LinkFailed, LinkReason

READ_BYTES: Final = 4096
"""Bytes taken at a time: more than the kernel keeps for a terminal."""

LOOK_EVERY_S: Final = 0.02
"""How often it is looked whether somebody has opened the port, seconds. No system tells of it."""

UNSENT_BYTES_AT_MOST: Final = 64 * 1024
"""What waits for a host that does not read, bytes: six seconds at 115200 baud. More is lost, as on any serial port."""


class PtyPort:
    """See `serve.Port`. `hear` gets what the host sends."""

    def __init__(self, hear: Callable[[bytes], None], clock: Clock) -> None:
        self._hear = hear
        self._clock = clock
        self._master = -1
        self._held = False
        self._unsent = bytearray()
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._looking: asyncio.Task[None] | None = None

    def open(self) -> Path:
        """Make the port; yields the path to open.

        Raises:
            LinkFailed: where there are no pseudo-terminals, or none is left.
        """
        if not hasattr(os, "openpty"):
            raise LinkFailed(
                "There are no pseudo-terminals on this system", "serve on TCP instead", LinkReason.UNAVAILABLE
            )
        self._folder = tempfile.TemporaryDirectory(prefix="zerofirst-")
        self._path = Path(self._folder.name) / "meter"
        try:
            self._plug_in()
        except OSError as refused:
            self._folder.cleanup()
            raise LinkFailed(
                f"The system gives no pseudo-terminal ({refused.strerror})", "serve on TCP instead",
                LinkReason.UNAVAILABLE,
            ) from refused  # fmt: skip
        self._looking = asyncio.create_task(self._look_out())
        return self._path

    def write(self, data: bytes) -> None:
        """Send; lost where nobody holds the port, or does not read."""
        if self._held and len(self._unsent) + len(data) <= UNSENT_BYTES_AT_MOST:
            self._unsent += data
            self._flush()

    def hang_up(self) -> None:
        """Take the terminal away: whoever holds it sees a hang-up, and the path leads nowhere."""
        self._let_go()
        if self._master >= 0:
            self._path.unlink(missing_ok=True)
            os.close(self._master)
            self._master = -1

    def pick_up(self) -> None:
        """Put a terminal back under the same path."""
        if self._master < 0:
            self._plug_in()

    async def close(self) -> None:
        """Take the port away for good."""
        if self._looking is not None:
            self._looking.cancel()
            with suppress(asyncio.CancelledError):
                await self._looking
        self.hang_up()
        if self._folder is not None:
            self._folder.cleanup()

    def _plug_in(self) -> None:
        import tty

        self._master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self._path.symlink_to(os.ttyname(slave))
        os.close(slave)  # else a host that closes the port would not be noticed

    async def _look_out(self) -> None:
        """See whether somebody holds the port now; once somebody does, the event loop tells of bytes and of the end."""
        while True:
            if not self._held and self._master >= 0:
                self._receive()
            await self._clock.sleep(LOOK_EVERY_S)

    def _receive(self) -> None:
        try:
            data = os.read(self._master, READ_BYTES)
        except BlockingIOError:
            self._take_hold()
            return
        except OSError:  # EIO: nobody holds it
            self._let_go()
            return
        if not data:
            self._let_go()
            return
        self._take_hold()
        self._hear(data)

    def _take_hold(self) -> None:
        if not self._held:
            self._held = True
            asyncio.get_running_loop().add_reader(self._master, self._receive)

    def _let_go(self) -> None:
        """Nobody holds the port; what was on its way to them is gone."""
        self._unsent.clear()
        if self._held:
            self._held = False
            loop = asyncio.get_running_loop()
            loop.remove_reader(self._master)
            loop.remove_writer(self._master)

    def _flush(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            sent = os.write(self._master, self._unsent)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._let_go()
            return
        del self._unsent[:sent]
        if self._unsent:
            loop.add_writer(self._master, self._flush)
        else:
            loop.remove_writer(self._master)
