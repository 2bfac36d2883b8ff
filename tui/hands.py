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
        self.supply_on = False

    def apart(self) -> str:
        """Part the leads."""
        return self._leads("open", "apart")

    def joined(self) -> str:
        """Short the leads."""
        return self._leads("short", "joined")

    def on_item(self, item: str, between: str) -> str:
        """Put the leads on an item, between these conductors."""
        return self._leads(f"{item} {between}", f"on {harmless(item, 16)}, {harmless(between, 16)}")

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
        if text.split()[:1] == ["supply"]:
            self.supply_on = text.split()[1:] == ["on"]
        return said

    def _leads(self, where: str, words: str) -> str:
        try:
            said = self._simulator.perform(f"leads {where}")
        except ZerofirstError as error:
            return str(error)
        self.leads = words
        return said
