"""The drivers installed here, as the audit wants them: the record may not import drivers, so it is handed these."""

from __future__ import annotations

from typing import Final

from drivers import address, registry
from drivers.api import Conversation, Resume

RATE: Final = 10
"""Readings a second that a decoding would ask for; nothing is asked of anybody, so any will do."""


class InstalledDrivers:
    """See `logger.audit.rederive_lines.Drivers`. Holds nothing, so it can be handed to another process."""

    def converse(self, driver: str, line: str, resume: Resume) -> Conversation:
        """A fresh conversation of that driver, or of the one that the line's URL names.

        Raises:
            InputWrong: if there is no such driver here.
        """
        name = driver or address.parse(line).driver
        return registry.load(name).converse(line, RATE, resume)

    def version_of(self, driver: str) -> str:
        """Name and version of the driver here, as the record writes it.

        Raises:
            InputWrong: if there is none.
        """
        return f"{driver} {registry.version_of(driver)}"
