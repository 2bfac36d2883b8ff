"""What a writer keeps in mind about keys and checkpoints: who signs, who was introduced, when the next one is due."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

from logger.clock import NS_PER_S
from logger.logbook.entries import Kind
from logger.logbook.keys import OperatorKey
from logger.logbook.seal import Checkpoint, sign_checkpoint, sign_key_change

CHECKPOINT_EVERY_ENTRIES: Final = 250
"""A signed checkpoint at least this often, entries: whatever was altered is then located to fewer than 256 of them."""

CHECKPOINT_EVERY_S: Final = 60
"""And this often while entries come, seconds."""


NEVER: Final = 1 << 63
"""A size that no logbook reaches."""


class Signing:
    """Bodies of `operator`, `checkpoint` and `seal` entries. Not thread-safe: its owner locks."""

    def __init__(
        self, logbook: str, key: OperatorKey | None, introduced: Collection[str], checkpoint_number: int, now_ns: int
    ) -> None:
        self.key = key
        self._logbook = logbook
        self._introduced = set(introduced)
        self._checkpoint_number = checkpoint_number
        self._checkpoint_ns = now_ns
        self.overdue_at = NEVER
        """From this size on no entry may come without a checkpoint before it."""
        self._set_overdue()

    def _set_overdue(self) -> None:
        self.overdue_at = NEVER if self.key is None else self._checkpoint_number + CHECKPOINT_EVERY_ENTRIES

    def is_due(self, size: int, now_ns: int) -> bool:
        """Whether a checkpoint should be made, by count or by time. Never without a key."""
        waited = now_ns - self._checkpoint_ns >= CHECKPOINT_EVERY_S * NS_PER_S
        return self.key is not None and (size >= self.overdue_at or (waited and size > self._checkpoint_number))

    def seen(self, number: int, kind: Kind, body: Mapping[str, object], now_ns: int) -> None:
        """An entry was taken in."""
        if kind in (Kind.CHECKPOINT, Kind.SEAL):
            self._checkpoint_number, self._checkpoint_ns = number, now_ns
            self._set_overdue()
        elif kind is Kind.OPERATOR and isinstance(vkey := body.get("vkey"), str):
            self._introduced.add(vkey)

    def introduction(self) -> dict[str, object] | None:
        """The `operator` entry that must come before the key's first checkpoint; None where it has come."""
        if self.key is None or self.key.vkey in self._introduced:
            return None
        return {"vkey": self.key.vkey, "fingerprint": self.key.fingerprint}

    def checkpoint(self, size: int, head: bytes) -> dict[str, object]:
        """The checkpoint over the first `size` entries. There must be a key."""
        assert self.key is not None
        return {"note": sign_checkpoint(Checkpoint(self._logbook, size, head), self.key)}

    def change(self, new: OperatorKey) -> dict[str, object]:
        """Let `new` sign from here on; the key before it, where there is one, vouches for it. The `operator` entry."""
        body: dict[str, object] = {"vkey": new.vkey, "fingerprint": new.fingerprint}
        if self.key is not None:
            body["change"] = sign_key_change(self._logbook, self.key, new)
        self.key = new
        self._set_overdue()
        return body
