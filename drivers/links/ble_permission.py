"""Whether macOS lets this program use Bluetooth, found out where a refusal does no harm.

Where the terminal was never allowed to use Bluetooth, macOS ends the program that asks, with SIGABRT. So a child asks
first: it shares the terminal's permission, and if it is ended, nothing is lost. Other systems answer with an error.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from typing import Final

from drivers.links.ble_trouble import forbidden

PROBE_LIMIT_S: Final = 10.0
"""How long the child may take, seconds: the system may be asking the operator for permission meanwhile."""

ASK: Final = "import asyncio, bleak; asyncio.run(bleak.BleakScanner.discover(timeout=0.1))"
"""What the child does: the least that needs the permission. What else goes wrong is told when it is done in earnest."""

COMMAND: Final = (sys.executable, "-c", ASK)


class _Known:
    """What was found out; it holds for as long as the program runs."""

    allowed = sys.platform != "darwin"


async def make_sure() -> None:
    """Return if Bluetooth may be used, or it need not be asked.

    Raises:
        LinkFailed: if macOS would end this program for trying.
    """
    if not _Known.allowed:
        await ask(COMMAND)
        _Known.allowed = True


async def ask(command: Sequence[str]) -> None:
    """Have a child do what `command` says.

    Raises:
        LinkFailed: if it was ended by a signal. A child that takes too long is ended, and nothing is concluded from it.
    """
    child = await asyncio.create_subprocess_exec(
        *command,
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        async with asyncio.timeout(PROBE_LIMIT_S):
            code = await child.wait()
    except TimeoutError:
        child.kill()
        await child.wait()
        return
    if code < 0:
        raise forbidden("darwin")
