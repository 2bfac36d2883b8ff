"""The simulated meter as it stands on the line: the device's half of the Meter Line Protocol, sans-IO and seeded.

Whoever carries the bytes feeds it what came from the host and the time, sends what `outgoing` returns, and calls `tick`
no later than `deadline_ns`. The same seed, bytes and commands at the same times give the same bytes, however often
`tick` is called in between. What it measures is `gauge`'s concern, the operator's words are in `hands`, the
faults of the line in `faults`.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Final

from drivers.codecs.meter_line import NEED_DATA, Frame, MeterLineCodec
from drivers.codecs.meter_words import (
    ASK_FUNCTIONS,
    ASK_IDENTITY,
    ASK_STORED,
    Ask,
    Halt,
    Run,
    end_frame,
    event_frame,
    identity_frame,
    interpret,
    range_frame,
    reading_frame,
    refusal_frame,
)
from drivers.simulator.bench import Bench
from drivers.simulator.faults import LineFaults
from drivers.simulator.gauge import Gauge
from drivers.simulator.hands import Hands
from drivers.simulator.memory import Memory
from drivers.simulator.scale import RANGES
from drivers.simulator.site import Site
from logger.clock import NS_PER_MS, NS_PER_S
from logger.errors import FrameWrong, InputWrong
from logger.reading import Flag, Identity, MeterEvent, Occurrence, Reading

QUIET_NS: Final = 1_800 * NS_PER_MS
"""After this much silence the meter says who it is: inside the 2 s of the protocol, with a little to spare."""

TALK_ANEW_NS: Final = 10 * NS_PER_S
"""How often a meter without a receive line says who it is and what it can do."""

STORED_EVERY_NS: Final = 10 * NS_PER_MS
"""Between two portions from memory: ten thousand readings a second, with room for live ones."""

STEPS_PER_TICK_AT_MOST: Final = 5_000
"""What one `tick` does at most: ten seconds at the highest rate. After a longer sleep it goes on from now."""

FROM_THE_METER: Final = frozenset({"id", "fn", "rd", "ev", "end", "err"})
"""What only a meter says: heard on its receive line it is an echo, and answering it would never end."""


class SimulatedMeter:
    """One meter on one site.

    Attributes:
        bench: the site it stands on.
        gauge: its dial, battery and display.
        line: the faults of its line.
    """

    def __init__(self, site: Site, seed: int = 0, start_ns: int = 0) -> None:
        """Switch it on at `start_ns`. The same seed gives the same boot: to a logbook, the same power-up once more."""
        self.site = site
        self.bench = Bench(site)
        self.gauge = Gauge(self.bench, str(seed))
        self.line = LineFaults(Random(f"{seed} line"), site.script, self.reboot)
        self._boots = Random(f"{seed} boot")
        self._hands = Hands(self)
        self.switch_on(start_ns)

    def switch_on(self, now_ns: int) -> None:
        """Start anew at any time, earlier ones too: a power-up, with the script of faults from its start."""
        self._now_ns = now_ns
        self.line.restart(now_ns)
        self.gauge.forget()
        self.reboot(now_ns)

    def reboot(self, now_ns: int) -> None:
        """Lose power and come back: a new boot, an empty memory, no null, no stream. The dial stays where it is."""
        meter = self.site.meter
        self._codec = MeterLineCodec()
        self.boot = f"{self._boots.getrandbits(32):08x}"
        self.gauge.null_ohm = None
        self._boot_ns = now_ns
        self._n = 0
        self._memory = Memory(meter.memory)
        self._stored_at_ns = now_ns
        self._period_ns = NS_PER_S // meter.talk_rate if meter.talks_only else None
        self._next_reading_ns = now_ns + (self._period_ns or 0)
        self._next_talk_ns = now_ns + TALK_ANEW_NS
        self._range_mark = ""
        self._last_sent_ns = now_ns
        self.announce()
        if meter.talks_only:
            self._announce_functions()

    @property
    def n(self) -> int:
        """How many readings and events it has counted since its boot."""
        return self._n

    @property
    def rate(self) -> int | None:
        """Readings a second that it streams; None while it does not."""
        return None if self._period_ns is None else round(NS_PER_S / self._period_ns)

    def command(self, text: str, now_ns: int | None = None) -> str:
        """Do what the operator's hands are told, now (or at the last time the meter knows of). Yields what a person is
        told, a complaint included; `perform` raises it instead."""
        try:
            return self.perform(text, now_ns)
        except InputWrong as wrong:
            return str(wrong)

    def perform(self, text: str, now_ns: int | None = None) -> str:
        """Like `command`.

        Raises:
            InputWrong: if there is no such word, or it cannot be done.
        """
        if now_ns is not None:
            self.tick(now_ns)
        told = self._hands.do(text, self._now_ns)
        self.gauge.notice(self._now_ns)
        return told

    def receive(self, data: bytes, now_ns: int) -> None:
        """Bytes from the host. Never raises, whatever they are."""
        self.tick(now_ns)
        self.line.echo(data)
        if self.site.meter.talks_only:
            return
        self._codec.receive(data)
        while (event := self._codec.next_event()) is not NEED_DATA:
            if isinstance(event, Frame) and event.type not in FROM_THE_METER:
                self._obey(event)

    def tick(self, now_ns: int) -> None:
        """Do what is due, each thing at its own time."""
        for _ in range(STEPS_PER_TICK_AT_MOST):
            due = self.deadline_ns()
            if due > now_ns:
                break
            self._step(due)
        else:
            self._next_reading_ns = max(self._next_reading_ns, now_ns)
            self._next_talk_ns = max(self._next_talk_ns, now_ns)
            self._last_sent_ns = max(self._last_sent_ns, now_ns)
        self._now_ns = max(self._now_ns, now_ns)

    def deadline_ns(self) -> int:
        """When `tick` is next needed."""
        due = [self._last_sent_ns + QUIET_NS]
        if self._period_ns is not None:
            due.append(self._next_reading_ns)
        if self._memory.asked:
            due.append(self._stored_at_ns)
        if self.site.meter.talks_only:
            due.append(self._next_talk_ns)
        if (line := self.line.deadline_ns()) is not None:
            due.append(line)
        return min(due)

    def outgoing(self) -> bytes:
        """What is on the wire now; handed over once."""
        return self.line.outgoing()

    def away_until_ns(self, now_ns: int) -> int | None:
        """Until when the line is pulled out; None while it is plugged in."""
        return self.line.away_until_ns(now_ns)

    def read_now(self, *more: Flag) -> Reading:
        """Take one reading, count it, keep it and send it, with the flags `more` beside its own."""
        look = self.gauge.look(self._now_ns)
        mark = look.shown.range.mark
        if self._range_mark and mark != self._range_mark:
            self.happen(Occurrence.RANGE_CHANGED)
        self._range_mark = mark
        setting = look.setting
        reading = Reading(
            self._count(),
            look.function,
            look.shown.value,
            self._milliseconds(),
            mark,
            look.voltage,
            look.output_voltage,
            look.flags | set(more),
            f"{self.site.celsius:.1f}",
            None if setting is None else f"{setting.multiple:g}",
            None if setting is None else str(setting.phase),
            None if setting is None else f"{setting.rated_ma:g}",
        )
        self._keep(reading)
        return reading

    def happen(self, what: Occurrence, why: str = "") -> None:
        """Tell of an event, count it and keep it."""
        if what is Occurrence.FUNCTION_CHANGED:
            self._range_mark = ""
        self._keep(MeterEvent(self._count(), what.value, self._milliseconds(), why))

    def announce(self) -> None:
        """Say who it is."""
        meter = self.site.meter
        about = (meter.maker, meter.model, meter.firmware, meter.calibrated_until)
        identity = Identity(meter.serial, self.boot, *about, self.gauge.battery_percent, self.bench.leads.mark)
        self._send(identity_frame(identity))

    def _step(self, due_ns: int) -> None:
        """Do the one thing that is due first; `due_ns` is its own time."""
        self._now_ns = max(self._now_ns, due_ns)
        line = self.line.deadline_ns()
        if line is not None and line <= due_ns:
            self.line.tick(due_ns)
        elif self._period_ns is not None and self._next_reading_ns <= due_ns:
            self._next_reading_ns += self._period_ns
            self.read_now()
        elif self._memory.asked and self._stored_at_ns <= due_ns:
            self._send_stored()
        elif self.site.meter.talks_only and self._next_talk_ns <= due_ns:
            self._next_talk_ns += TALK_ANEW_NS
            self.announce()
            self._announce_functions()
        else:
            self.announce()

    def _obey(self, frame: Frame) -> None:
        try:
            word = interpret(frame)
        except FrameWrong as wrong:
            self._send(refusal_frame(wrong.sentence))
            return
        if isinstance(word, Run):
            self._period_ns = NS_PER_S // min(word.rate, self.site.meter.rate_at_most)
            self._next_reading_ns = self._now_ns + self._period_ns
        elif isinstance(word, Halt):
            self._period_ns = None
        elif isinstance(word, Ask):
            self._answer(word)
        else:
            self._send(refusal_frame("unknown command"))

    def _answer(self, question: Ask) -> None:
        answers: dict[str, Callable[[], None]] = {
            ASK_IDENTITY: self._answer_identity,
            ASK_FUNCTIONS: self._answer_functions,
        }
        if question.what in answers:
            answers[question.what]()
        elif question.what != ASK_STORED or question.low is None or question.high is None:
            self._send(refusal_frame("unknown question"))
        elif self._memory.ask(question.low, question.high):
            self._stored_at_ns = self._now_ns
        else:
            self._send(refusal_frame("busy"))

    def _answer_identity(self) -> None:
        self.announce()
        self._send(end_frame(ASK_IDENTITY))

    def _answer_functions(self) -> None:
        self._announce_functions()
        self._send(end_frame(ASK_FUNCTIONS))

    def _announce_functions(self) -> None:
        for ranges in RANGES.values():
            for announced in ranges:
                self._send(range_frame(announced))

    def _send_stored(self) -> None:
        """The next frames of the first span asked for; `end` once it is through."""
        frames, through = self._memory.portion()
        for frame in frames:
            self._send(frame)
        if through:
            self._send(end_frame(ASK_STORED))
        self._stored_at_ns = self._now_ns + STORED_EVERY_NS

    def _count(self) -> int:
        self._n += 1
        return self._n

    def _milliseconds(self) -> int:
        return (self._now_ns - self._boot_ns) // NS_PER_MS

    def _keep(self, what: Reading | MeterEvent) -> None:
        self._memory.keep(what)
        self._send(reading_frame(what) if isinstance(what, Reading) else event_frame(what))

    def _send(self, frame: bytes) -> None:
        self._last_sent_ns = self._now_ns
        self.line.send(frame, self._now_ns)
