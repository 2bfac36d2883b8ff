"""What an integrity check cannot show, said plainly: no fault, but an auditor has to know it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from logger.audit.report import CheckpointSeen, KeySeen, span

_BEGUN: Final = b"opened"
_ENDED: Final = frozenset({b"stopped", b"closed", b"seal"})


class Sessions:
    """Whether the last capture session came to its end."""

    def __init__(self) -> None:
        self.unended: int | None = None
        """The entry that began a session of which the end is not recorded."""

    def take(self, number: int, kind: bytes) -> None:
        """Take in an entry."""
        if kind == _BEGUN:
            self.unended = number
        elif kind in _ENDED:
            self.unended = None


def remarks(
    size: int,
    good: int,
    checkpoints: Sequence[CheckpointSeen],
    keys: Sequence[KeySeen],
    sessions: Sessions,
    left_wal: bool,
) -> Iterator[str]:
    """Sentences, most weighty first."""
    if not checkpoints:
        yield (
            "No checkpoint is signed: whoever can write to the file could have changed entries and hashes together, "
            "and this check would not see it."
        )
    else:
        yield from _about_signing(size, good, keys)
    for key in keys:
        if not key.vouched:
            yield f"From entry {key.entry} on another key may sign, unvouched for by earlier ones: {key.fingerprint}."
    if sessions.unended is not None:
        yield (
            f"The session that began at entry {sessions.unended} has no recorded end: it is still running, it was cut "
            "short, or the file was copied without the -wal file that belonged to it."
        )
    if left_wal:
        yield "A -wal file lies beside the logbook and holds its newest entries: keep and copy the two together."


def _about_signing(size: int, good: int, keys: Sequence[KeySeen]) -> Iterator[str]:
    named = f" ({keys[0].fingerprint})" if keys else ""
    yield (
        f"Whoever holds both this file and its signing key{named} can rewrite all of it: compare the key, and a "
        "checkpoint kept elsewhere (a printed report, `audit --since`)."
    )
    if size > good + 1:
        yield (
            f"No checkpoint stands after {span(good + 2, size)}: if these, or more that followed them, were removed or "
            "changed together with their hashes, this check would not see it."
        )
