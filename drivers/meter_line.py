"""The driver `meter-line`: the Meter Line Protocol, registered like a stranger's driver. Only its entry is here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from drivers.api import API_VERSION, Driver, Resume
from drivers.instrument import Instrument


@dataclass
class MeterLineDriver:
    """Makes conversations; see `drivers.api.Driver`."""

    name: str = "meter-line"
    api_version: int = API_VERSION

    def converse(self, line: str, rate: int, resume: Resume) -> Instrument:
        """A fresh conversation. `rate` is 1 to 500 readings a second."""
        return Instrument(line, rate, resume)


DRIVER: Final[Driver] = MeterLineDriver()
