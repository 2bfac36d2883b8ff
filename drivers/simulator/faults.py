"""Faults of the line, by command or by a script with times: what a bad cable, a bad converter or a pulled plug does.

Sans-IO and seeded. Frames go in whole; bytes come out when they are due, damaged as told. A frame that is lost here is
still in the meter's memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Final

from drivers.simulator.site import ScriptedFault
from logger.clock import NS_PER_MS, NS_PER_S
from logger.errors import InputWrong

SPLIT_GAP_NS: Final = 40 * NS_PER_MS
"""Between the two halves of a split frame: longer than a reader gathers bytes for, shorter than a person notices."""

MERGE_WAIT_NS: Final = NS_PER_S
"""How long a frame waits for the next one to be merged with: a meter at rest sends one within two seconds."""

NOISE_BYTES_AT_MOST: Final = 400
"""Longest burst of noise, bytes: more than one frame, so that a reader must find its step again."""

HELD_BYTES_AT_MOST: Final = 64 * 1024
"""How much waits behind a split or merged frame, bytes: a second at the highest rate. What comes over it is lost."""

READY_BYTES_AT_MOST: Final = 1024 * 1024
"""How much lies ready for whoever carries it away, bytes: far more than any tick yields. What comes over it is lost."""

PENDING_AT_MOST: Final = 10_000
"""Most frames that one command can spoil, so that a slip of the finger ends."""

AWAY_S_AT_MOST: Final = 3600.0
"""Longest silence or disconnection, seconds: an hour outlasts every timeout that is worth a test."""


def _flip_bit(frame: bytes, rng: Random) -> bytes:
    damaged = bytearray(frame)
    damaged[rng.randrange(len(frame))] ^= 1 << rng.randrange(8)
    return bytes(damaged)


def _lose_byte(frame: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(frame))
    return frame[:at] + frame[at + 1 :]


def _double(frame: bytes, _rng: Random) -> bytes:
    return frame + frame


def _lose(_frame: bytes, _rng: Random) -> bytes:
    return b""


def _noise(frame: bytes, rng: Random) -> bytes:
    return rng.randbytes(rng.randint(1, NOISE_BYTES_AT_MOST)) + frame


DAMAGE: Final[dict[str, Callable[[bytes, Random], bytes]]] = {
    "bit-flip": _flip_bit,
    "lost-byte": _lose_byte,
    "duplicate": _double,
    "lost-frame": _lose,
    "noise": _noise,
}
"""Faults that change the bytes of a frame; their amount counts frames."""

SPLIT, MERGE, ECHO = "split", "merge", "echo"
SILENCE, DISCONNECT, REBOOT = "silence", "disconnect", "reboot"

COUNTED: Final = (*DAMAGE, SPLIT, MERGE, ECHO)
TIMED: Final = (SILENCE, DISCONNECT)
KINDS: Final = (*COUNTED, *TIMED, REBOOT)


def check_fault(kind: str, amount: float) -> None:
    """Whether there is such a fault, of such an amount (frames, or seconds for `silence` and `disconnect`).

    Raises:
        InputWrong: if not.
    """
    if kind not in KINDS:
        raise InputWrong(f"There is no line fault {kind}", f"the line faults are {', '.join(KINDS)}")
    if kind in TIMED and not 0 < amount <= AWAY_S_AT_MOST:
        raise InputWrong(f"{kind} cannot last {amount:g} s", f"give more than 0 and at most {AWAY_S_AT_MOST:g} s")
    if kind in COUNTED and not (1 <= amount <= PENDING_AT_MOST and amount == int(amount)):
        raise InputWrong(f"{kind} cannot strike {amount:g} frames", f"give a whole number, 1 to {PENDING_AT_MOST}")


@dataclass(frozen=True, slots=True)
class _Held:
    """Bytes that wait: the rest of a split frame, or a frame that is to be merged with the next."""

    until_ns: int
    for_next: bool


class LineFaults:
    """The line behind a meter. `reboot` is called when the script says that the meter loses power."""

    def __init__(self, rng: Random, script: Sequence[ScriptedFault], reboot: Callable[[int], None]) -> None:
        self._rng = rng
        self._reboot = reboot
        self._whole_script = sorted(script, key=lambda fault: fault.at_s, reverse=True)
        self._ready = bytearray()
        self._waiting = bytearray()
        self.restart(0)

    def restart(self, now_ns: int) -> None:
        """A sound line from now on, nothing on it, and the script from its start."""
        self._script = list(self._whole_script)
        self._start_ns = now_ns
        self._left: dict[str, int] = {}
        self._silent_until_ns = now_ns
        self._away_until_ns = now_ns
        self._held: _Held | None = None
        self._ready.clear()
        self._waiting.clear()

    def strike(self, kind: str, amount: float, now_ns: int) -> None:
        """Start a fault now.

        Raises:
            InputWrong: if there is no such fault, or of no such amount.
        """
        check_fault(kind, amount)
        if kind == REBOOT:
            self._reboot(now_ns)
        elif kind == SILENCE:
            self._silent_until_ns = now_ns + round(amount * NS_PER_S)
        elif kind == DISCONNECT:
            self._away_until_ns = now_ns + round(amount * NS_PER_S)
            self._held = None
            self._waiting.clear()
        else:
            self._left[kind] = self._left.get(kind, 0) + int(amount)

    def send(self, frame: bytes, now_ns: int) -> None:
        """A frame leaves the meter."""
        if now_ns < max(self._silent_until_ns, self._away_until_ns) or len(self._ready) > READY_BYTES_AT_MOST:
            return
        for kind, damage in DAMAGE.items():
            if frame and self._strikes(kind):
                frame = damage(frame, self._rng)
        if self._held is not None:
            self._wait(frame)
            if self._held.for_next:
                self._release()
        elif self._strikes(SPLIT) and len(frame) > 1:
            at = self._rng.randrange(1, len(frame))
            self._ready += frame[:at]
            self._hold(frame[at:], now_ns + SPLIT_GAP_NS, for_next=False)
        elif self._strikes(MERGE):
            self._hold(frame, now_ns + MERGE_WAIT_NS, for_next=True)
        else:
            self._ready += frame

    def echo(self, data: bytes) -> None:
        """Bytes came from the host: send them back where the line echoes."""
        if data and self._strikes(ECHO):
            self._wait(data) if self._held else self._ready.extend(data)

    def tick(self, now_ns: int) -> None:
        """Do what the script says is due, and let go what has waited long enough."""
        while self._script and self._due_ns(self._script[-1]) <= now_ns:
            fault = self._script.pop()
            self.strike(fault.kind, fault.amount, now_ns)
        if self._held is not None and self._held.until_ns <= now_ns:
            self._release()

    def deadline_ns(self) -> int | None:
        """When `tick` is next needed; None while nothing is pending."""
        due = [self._due_ns(self._script[-1])] if self._script else []
        return min([*due, self._held.until_ns] if self._held else due, default=None)

    def outgoing(self) -> bytes:
        """What is on the wire now; handed over once."""
        data = bytes(self._ready)
        self._ready.clear()
        return data

    def away_until_ns(self, now_ns: int) -> int | None:
        """Until when the line is pulled; None while it is plugged in."""
        return self._away_until_ns if now_ns < self._away_until_ns else None

    def _strikes(self, kind: str) -> bool:
        left = self._left.get(kind, 0)
        if left:
            self._left[kind] = left - 1
        return left > 0

    def _hold(self, data: bytes, until_ns: int, *, for_next: bool) -> None:
        self._waiting += data
        self._held = _Held(until_ns, for_next)

    def _wait(self, data: bytes) -> None:
        if len(self._waiting) + len(data) <= HELD_BYTES_AT_MOST:
            self._waiting += data

    def _release(self) -> None:
        self._ready += self._waiting
        self._waiting.clear()
        self._held = None

    def _due_ns(self, fault: ScriptedFault) -> int:
        return self._start_ns + round(fault.at_s * NS_PER_S)
