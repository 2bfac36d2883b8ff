"""The host's half of a line to a simulated meter: sends commands, reads frames, keeps time."""

from __future__ import annotations

from drivers.codecs.meter_line import NEED_DATA, Frame, Junk, MeterLineCodec
from drivers.codecs.meter_words import Word, interpret
from drivers.simulator.meter import SimulatedMeter
from drivers.simulator.site import Site
from logger.clock import NS_PER_S
from logger.reading import MeterEvent, Reading


class Host:
    """A meter just switched on, and somebody who listens to it. `now_ns` moves only when told."""

    def __init__(self, site: Site, seed: int = 1) -> None:
        self.meter = SimulatedMeter(site, seed)
        self.codec = MeterLineCodec()
        self.now_ns = 0
        self.raw = bytearray()
        self.frames: list[Frame] = []
        self.junk: list[Junk] = []

    def listen(self) -> list[Frame]:
        """The frames that came since the last time."""
        data = self.meter.outgoing()
        self.raw += data
        self.codec.receive(data)
        new: list[Frame] = []
        while (event := self.codec.next_event()) is not NEED_DATA:
            if isinstance(event, Frame):
                new.append(event)
            elif isinstance(event, Junk):
                self.junk.append(event)
        self.frames += new
        return new

    def wait(self, seconds: float, step_s: float = 0.0) -> list[Frame]:
        """Let time pass, in steps or at once; the frames that came."""
        end = self.now_ns + round(seconds * NS_PER_S)
        while step_s and self.now_ns + step_s * NS_PER_S < end:
            self.now_ns += round(step_s * NS_PER_S)
            self.meter.tick(self.now_ns)
        self.now_ns = end
        self.meter.tick(end)
        return self.listen()

    def send(self, data: bytes, after_s: float = 0.05) -> list[Frame]:
        """Send bytes, and what came within a while."""
        self.meter.receive(data, self.now_ns)
        return self.wait(after_s)

    def do(self, *commands: str) -> str:
        """Move the operator's hands; what they were told last."""
        told = ""
        for command in commands:
            told = self.meter.perform(command, self.now_ns)
        return told


def words(frames: list[Frame]) -> list[Word]:
    """What frames say."""
    return [interpret(frame) for frame in frames]


def readings(frames: list[Frame]) -> list[Reading]:
    """The readings among frames."""
    return [word for word in words(frames) if isinstance(word, Reading)]


def events(frames: list[Frame]) -> list[str]:
    """The names of the events among frames."""
    return [word.name for word in words(frames) if isinstance(word, MeterEvent)]


def types(frames: list[Frame]) -> list[str]:
    """The types of frames."""
    return [frame.type for frame in frames]
