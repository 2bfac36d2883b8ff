"""The simulated hands: what a person does to leads and meter, done to a simulated one. Blocks: call it off the loop."""

from __future__ import annotations

from typing import Protocol

from logger.errors import ZerofirstError
from logger.text import harmless


class Simulator(Protocol):
    """What is needed of a simulated meter; `drivers.simulator.thread.SimulatorThread` is one."""

    def perform(self, text: str) -> str:
        """Do one command and say what was done, or raise a ZerofirstError that says why not."""


class Hands:
    """Remembers where the leads are, so that the screen can say it."""

    def __init__(self, simulator: Simulator) -> None:
        self._simulator = simulator
        self.leads = "apart"
        self.where = "open"
        self.supply_on = False

    def apart(self) -> str:
        """Part the leads."""
        return self.do("leads open")

    def joined(self) -> str:
        """Short the leads."""
        return self.do("leads short")

    def on_item(self, item: str, between: str) -> str:
        """Put the leads on an item, between these conductors."""
        return self.do(f"leads {item} {between}")

    def turn_to(self, function: str, voltage: str = "") -> str:
        """Turn the meter's dial."""
        return self.do(f"function {function} {voltage}".strip())

    def switch_supply(self) -> str:
        """Connect the supply, or isolate it."""
        return self.do(f"supply {'off' if self.supply_on else 'on'}")

    def do(self, text: str) -> str:
        """Anything that the simulator has a word for; the answer is for a person, a complaint included."""
        try:
            said = self._simulator.perform(text)
        except ZerofirstError as error:
            return str(error)
        word, *rest = text.split() or [""]
        if word == "supply":
            self.supply_on = rest == ["on"]
        elif word == "leads":
            self._moved_to(rest)
        return said

    def _moved_to(self, where: list[str]) -> None:
        self.where = " ".join(where)
        plain = {"open": "apart", "short": "joined"}.get(self.where)
        self.leads = plain or f"on {', '.join(harmless(word, 16) for word in where)}"
