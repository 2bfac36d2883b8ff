"""The pen: writes an entry, lets the job's state take it in, and queues the event that tells of it.

Everything in the recorder writes through one `Book`, so that log, state and events cannot part.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from logger.clock import Clock, rfc3339
from logger.job.history import setup_of
from logger.job.model import Plan
from logger.job.network import Network
from logger.job.network_of import network_of
from logger.job.setup import SetUp
from logger.logbook.entries import Kind
from logger.recorder.event import Event, Log
from logger.rules.pack import Pack
from logger.state import JobState


class Book:
    """Log, state and outbox of one capture session."""

    def __init__(self, log: Log, state: JobState, clock: Clock) -> None:
        self.log = log
        self.state = state
        self.clock = clock
        self.at = rfc3339(clock.utc())
        self._outbox: list[Event] = []

    @property
    def plan(self) -> Plan:
        """The plan; a logbook always begins with one."""
        assert self.state.plan is not None
        return self.state.plan

    @property
    def pack(self) -> Pack:
        """The rules in force; a logbook always begins with them."""
        assert self.state.pack is not None
        return self.state.pack

    @property
    def network(self) -> Network | None:
        """The installation as a network; None for a job about appliances, or a plan of old that cannot be wired."""
        return network_of(self.plan)

    def set_up(self, network: Network) -> SetUp:
        """How the installation stands now."""
        return setup_of(network, self.state)

    def turn(self) -> None:
        """Take the time anew: once for every batch and step, so that what belongs together has one time."""
        self.at = rfc3339(self.clock.utc())

    def write(self, kind: Kind, body: Mapping[str, Any]) -> int:
        """Append one entry and let the state take it in. Returns its number."""
        number = self.log.append(kind, body, self.at)
        self.state.apply(number, self.at, kind, body, self.clock.mono_ns())
        return number

    def tell(self, name: str, entry: int | None, fields: Mapping[str, Any], step_id: object = None) -> None:
        """Queue an event; `step_id` is repeated where the step had one."""
        if step_id is not None:
            fields = {**fields, "id": step_id}
        self._outbox.append(Event(name, self.at, entry, fields))

    def record(self, kind: Kind, name: str, body: Mapping[str, Any], step_id: object = None) -> int:
        """Write an entry and tell it with the same fields."""
        entry = self.write(kind, body)
        self.tell(name, entry, body, step_id)
        return entry

    def drain(self) -> list[Event]:
        """The events queued so far, in order; handed over once."""
        events, self._outbox = self._outbox, []
        return events
